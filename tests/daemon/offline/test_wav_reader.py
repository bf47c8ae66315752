"""WAV files of every width read as the same samples; and what is no WAV file, in one line."""

import struct
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from daemon.errors import RunError
from daemon.offline.wav_reader import parse, read

SAMPLES = np.sin(np.arange(400) / 9.0)[:, None] * [0.5, -0.25]


@pytest.mark.parametrize("kind", ["u1", "<i2", "<i4", "<f4", "<f8"])
@pytest.mark.parametrize("channels", [1, 2])
def test_every_width_is_read_as_another_writer_meant_it(
    tmp_path: Path, kind: str, channels: int
) -> None:
    """The independent writer is scipy's."""
    scale = {"u1": 127.0, "<i2": 2.0**15 - 1, "<i4": 2.0**31 - 1}.get(kind, 1.0)
    whole = SAMPLES[:, :channels] * scale + (128 if kind == "u1" else 0)
    wavfile.write(tmp_path / "x.wav", 44_100, np.round(whole, 0 if scale > 1 else 9).astype(kind))
    read_back, rate = read(tmp_path / "x.wav")
    assert rate == 44_100
    assert read_back.shape == (400, channels)
    assert np.abs(read_back - SAMPLES[:, :channels]).max() < (0.01 if kind == "u1" else 1e-4)


def test_24_bits_extensible_and_chunks_of_other_kinds_are_read() -> None:
    whole = np.round(SAMPLES * (2**23 - 1)).astype("<i4")
    body = whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    guid = b"\x01\x00" + b"\0" * 14
    head = struct.pack("<HHIIHHHHI", 0xFFFE, 2, 48_000, 288_000, 6, 24, 22, 24, 3) + guid
    chunks = b"JUNK" + struct.pack("<I", 3) + b"abc\0"
    chunks += b"fmt " + struct.pack("<I", len(head)) + head
    chunks += b"data" + struct.pack("<I", len(body)) + body
    content = b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks
    samples, rate = parse(content, "x.wav")
    assert rate == 48_000
    assert np.abs(samples - SAMPLES).max() < 1e-6


def head(kind: int, channels: int, rate: int, bits: int) -> bytes:
    return struct.pack("<HHIIHH", kind, channels, rate, 0, 0, bits)


@pytest.mark.parametrize(
    ("chunks", "rule"),
    [
        (b"", "is damaged: it holds no samples"),
        (b"fmt \x10\0\0\0" + head(1, 0, 44_100, 16) + b"data\0\0\0\0", "0 channels at 44100 Hz"),
        (b"fmt \x10\0\0\0" + head(1, 1, 3, 16) + b"data\0\0\0\0", "1 channels at 3 Hz"),
        (b"fmt \x10\0\0\0" + head(7, 1, 8_000, 8) + b"data\0\0\0\0", "8 bits in format 7"),
    ],
)
def test_what_is_damaged_or_compressed_is_refused_in_one_line(chunks: bytes, rule: str) -> None:
    with pytest.raises(RunError, match=rule):
        parse(b"RIFF\0\0\0\0WAVE" + chunks, "x.wav")


def test_a_file_cut_off_in_its_samples_is_read_as_far_as_it_goes() -> None:
    content = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0" + head(1, 2, 8_000, 16)
    content += b"data\xff\0\0\0" + b"\1\0\2\0\3"
    samples, _ = parse(content, "x.wav")
    assert samples.shape == (1, 2)
