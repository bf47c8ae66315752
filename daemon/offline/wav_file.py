"""A stereo WAV file of 24-bit samples, written as the audio comes.

Units: samples are linear, 1.0 is full scale; frames, bytes. Shapes: audio is ``(N, 2)`` float32.

Promise: the file appears under its name whole or not at all. Until then it grows under another
name in the same folder; a fault, Ctrl-C or a stop leaves nothing behind.
"""

import os
import secrets
import struct
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from daemon.errors import RunError

CHANNELS = 2
SAMPLE_BYTES = 3
FULL_SCALE = (1 << 23) - 1
_AT_ONCE = 1 << 20
"""Bytes gathered before they are written: each system call takes as long as a block."""
# A sample of 24 bits, and how it lies in one of 32.
_SAMPLE = np.dtype([("low", "<u2"), ("high", "u1")])
_WORD = np.dtype([("low", "<u2"), ("high", "u1"), ("sign", "u1")])
_HEADER = struct.Struct("<4sI4s4sIHHIIHH4sI")
# RIFF counts its bytes in 32 bits.
MOST_FRAMES = ((1 << 32) - 1 - _HEADER.size) // (CHANNELS * SAMPLE_BYTES)


def check_target(path: Path, *, force: bool) -> None:
    """Refuse an output path that can't or must not be written.

    Raises
    ------
    RunError
        If the file exists and ``force`` is not given, or nothing can be written there.
    """
    try:
        if path.is_dir():
            raise RunError(f"{path}: is a folder; name a file")
        if path.exists() and not path.is_file():
            raise RunError(f"{path}: is not a regular file; name another")
        if path.exists() and not force:
            raise RunError(f"{path}: exists already; --force replaces it")
        if not path.parent.is_dir():
            raise RunError(f"{path}: no folder {str(path.parent)!r} to write into")
    except OSError as fault:
        raise RunError(f"{path}: {fault.strerror}") from fault


class WavWriter:
    """A WAV file in the making; a context manager.

    Parameters
    ----------
    path
        Where the finished file goes.
    sample_rate
        Frames per second.
    force
        Replace an existing file.

    Raises
    ------
    RunError
        If the file can't be written, at once or later (a full disk).
    """

    def __init__(self, path: Path, sample_rate: int, *, force: bool = False) -> None:
        check_target(path, force=force)
        self._path = path.resolve()  # a symbolic link stays one
        self._name = path
        self._sample_rate = sample_rate
        self.frames = 0
        self._growing = self._path.parent / f".partiald-{secrets.token_hex(6)}.part"

    def __enter__(self) -> "WavWriter":
        """Begin the file."""
        # Here, not in the constructor: Ctrl-C between the two would leave it behind.
        try:
            self._file = self._growing.open("xb", buffering=_AT_ONCE)
            self._file.write(self._header())
        except BaseException as fault:
            self._growing.unlink(missing_ok=True)
            if isinstance(fault, OSError):
                raise RunError(f"{self._name}: {fault.strerror}; nothing written") from fault
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, _: TracebackType | None
    ) -> None:
        """Give the whole file its name; after a fault, remove what there is."""
        try:
            if kind is None:
                self._finish()
        except OSError as refusal:
            raise RunError(f"{self._name}: {refusal.strerror}; nothing written") from refusal
        finally:
            self._abandon()

    def write(self, audio: NDArray[np.float32]) -> None:
        """Append ``audio``, shape ``(N, 2)``, clipped at full scale."""
        if self.frames + len(audio) > MOST_FRAMES:
            hours = MOST_FRAMES / self._sample_rate / 3600
            raise RunError(f"{self._name}: longer than a WAV file can be, {hours:.1f} hours")
        try:
            self._file.write(_packed(audio))
        except OSError as fault:
            raise RunError(f"{self._name}: {fault.strerror}; nothing written") from fault
        self.frames += len(audio)

    def _header(self) -> bytes:
        size = self.frames * CHANNELS * SAMPLE_BYTES
        # Tag 1 (PCM), not the extensible one: every reader of 24 bits knows it.
        return _HEADER.pack(
            b"RIFF",
            _HEADER.size - 8 + size,
            b"WAVE",
            b"fmt ",
            16,
            1,
            CHANNELS,
            self._sample_rate,
            self._sample_rate * CHANNELS * SAMPLE_BYTES,
            CHANNELS * SAMPLE_BYTES,
            8 * SAMPLE_BYTES,
            b"data",
            size,
        )

    def _finish(self) -> None:
        self._file.seek(0)
        self._file.write(self._header())
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        os.replace(self._growing, self._path)
        folder = os.open(self._path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _abandon(self) -> None:
        try:
            self._file.close()
        except OSError:  # a full disk refuses the last bytes, which no longer matter
            pass
        finally:
            self._growing.unlink(missing_ok=True)


def _packed(audio: NDArray[np.float32]) -> memoryview:
    """Return the samples as they lie in the file."""
    scaled = np.multiply(audio.ravel(), FULL_SCALE, dtype=np.float64)
    np.rint(scaled, out=scaled)
    np.maximum(scaled, -FULL_SCALE, out=scaled)
    np.minimum(scaled, FULL_SCALE, out=scaled)
    words = scaled.astype("<i4").view(_WORD)
    samples = np.empty(len(words), _SAMPLE)
    for part in _SAMPLE.names or ():
        samples[part] = words[part]
    return samples.data
