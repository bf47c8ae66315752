"""A WAV file read: its samples, whatever their width, and its rate.

Units: linear samples, 1.0 is full scale; frames a second. Shapes: ``(N, channels)`` float32.
Source of the chunks: Multimedia Programming Interface and Data Specifications 1.0 (1991); of the
extensible format: the GUID of its first two bytes is the plain format's number.

Promise: `read` returns samples, or raises `RunError` with one line.
"""

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.errors import RunError

LARGEST = 200 << 20
"""Half an hour at CD quality; more is no note."""
_EXTENSIBLE = 0xFFFE
_RATES = range(8_000, 400_001)


def read(path: Path) -> tuple[NDArray[np.float32], int]:
    """Return the samples of the file at ``path``, and its rate."""
    try:
        if path.is_dir():
            raise RunError(f"{path}: is a folder, not a WAV file")
        if path.exists() and not path.is_file():
            raise RunError(f"{path}: is not a regular file")
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise RunError(f"{path}: no such file") from None
    except OSError as fault:
        raise RunError(f"{path}: can't be read: {fault.strerror}") from fault
    if len(content) > LARGEST:
        raise RunError(f"{path}: is longer than {LARGEST >> 20} MiB; one note is enough")
    return parse(content, str(path))


def parse(content: bytes, where: str) -> tuple[NDArray[np.float32], int]:
    """Return the samples in the content of a file; ``where`` names it in faults."""
    if content[:4] != b"RIFF" or content[8:12] != b"WAVE":
        raise RunError(f"{where}: is not a WAV file (it does not begin with RIFF and WAVE)")
    head, body = b"", None
    at = 12
    while at + 8 <= len(content) and body is None:
        name, size = content[at : at + 4], int.from_bytes(content[at + 4 : at + 8], "little")
        chunk = content[at + 8 : at + 8 + size]
        if name == b"fmt ":
            head = chunk
        elif name == b"data":
            body = chunk
        at += 8 + size + size % 2
    if len(head) < 16 or body is None:
        raise RunError(f"{where}: is damaged: it holds no samples, or not what they are")
    kind, channels, rate, _, _, bits = struct.unpack("<HHIIHH", head[:16])
    if kind == _EXTENSIBLE and len(head) >= 26:
        kind = int.from_bytes(head[24:26], "little")
    if not channels or rate not in _RATES:
        raise RunError(f"{where}: is damaged: {channels} channels at {rate} Hz")
    samples = _samples(body, kind, bits)
    if samples is None:
        raise RunError(
            f"{where}: holds samples of {bits} bits in format {kind}; "
            "save it as 16 or 24 bits, uncompressed"
        )
    whole = len(samples) // channels * channels
    return samples[:whole].reshape(-1, channels).astype(np.float32), rate


def _samples(body: bytes, kind: int, bits: int) -> NDArray[np.floating] | None:
    """Return samples in a row; None: they are of a kind that is not known."""
    body = body[: len(body) // max(1, bits // 8) * max(1, bits // 8)]
    match kind, bits:
        case (1, 8):
            return (np.frombuffer(body, np.uint8) - 128.0) / 128
        case (1, 16):
            return np.frombuffer(body, "<i2") / 2.0**15
        case (1, 24):
            three = np.frombuffer(body, np.uint8).reshape(-1, 3).astype(np.int32)
            whole = three[:, 0] | three[:, 1] << 8 | three[:, 2] << 16
            return ((whole ^ 1 << 23) - (1 << 23)) / 2.0**23
        case (1, 32):
            return np.frombuffer(body, "<i4") / 2.0**31
        case (3, 32):
            return np.frombuffer(body, "<f4")
        case (3, 64):
            return np.frombuffer(body, "<f8")
    return None
