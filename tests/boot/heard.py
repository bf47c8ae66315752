"""What the virtual board's sound card played: onsets, pitch, gaps.

``python3 heard.py delay FOLDER FRAMES RATE_FRAMES`` sets the onsets against the moments at which
the keys were struck; ``python3 heard.py hold FOLDER HERTZ`` looks for jumps of a partial's phase,
which is what a lost block leaves. The capture's time is the stream's: it stops while the card
does.
"""

import re
import struct
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]


def load(path: Path) -> tuple[int, Audio]:
    """Return rate and left channel; an emulator that is ended leaves no length in the header."""
    raw = path.read_bytes()
    channels, rate = struct.unpack_from("<HI", raw, 22)
    body = raw[44 : 44 + (len(raw) - 44) // (2 * channels) * 2 * channels]
    return rate, np.frombuffer(body, "<i2").reshape(-1, channels)[:, 0] / 32768.0


def onsets(audio: Audio, rate: int) -> NDArray[np.intp]:
    """Return the frames at which a note begins after silence."""
    loud = np.flatnonzero(np.abs(audio) > 2e-4)
    starts = loud[np.diff(loud, prepend=-rate) > rate // 20]
    return np.asarray(starts)


def delay(folder: Path, frames: int) -> None:
    rate, audio = load(folder / "card.wav")
    told = (folder / "out.txt").read_text()
    struck = np.array([float(s) for s in re.findall(r"^struck ([\d.]+)", told, re.M)])
    begun = onsets(audio, rate) / rate
    if len(begun) != len(struck):
        raise SystemExit(f"{len(struck)} notes struck, {len(begun)} heard")
    # The capture began at some moment of the board's clock: only the spread counts here.
    lag = begun - struck
    spread_ms = 1e3 * float(np.std(lag))
    aligned_ms = 1e3 * frames / rate / 12**0.5
    print(
        f"{len(struck)} notes at random moments, {frames}-frame blocks: key to onset varies by "
        f"{spread_ms:.3f} ms (standard deviation; largest {1e3 * float(np.ptp(lag)):.3f} ms "
        f"between two); in step with the blocks it would be {aligned_ms:.2f} ms"
    )
    trigger = re.search(r"trigger_time: ([\d.]+)", told)
    if trigger:
        mean_ms = 1e3 * float(np.mean(lag) + float(trigger[1]))
        print(f"mean from key to the card's output: {mean_ms:.2f} ms")
    sys.exit(spread_ms >= 0.2)


def hold(folder: Path, hertz: float) -> None:
    rate, audio = load(folder / "card.wav")
    sounding = np.flatnonzero(np.abs(audio) > 1e-3)
    # From when the attacks are over to the fade at the end.
    audio = audio[sounding[0] + rate : sounding[-1] - rate // 2]
    window = rate // 2  # long enough to tell neighbouring keys apart
    turned = audio * np.exp(-2j * np.pi * hertz / rate * np.arange(len(audio)))
    means = turned[: len(turned) // window * window].reshape(-1, window) @ np.hanning(window)
    steps = np.angle(means[1:] / means[:-1])
    jumps = int((np.abs(steps - np.median(steps)) > 0.2).sum())
    print(f"{len(audio) / rate:.1f} s captured, {jumps} phase jumps at {hertz:.2f} Hz")
    sys.exit(jumps > 0)


if __name__ == "__main__":
    if sys.argv[1] == "delay":
        delay(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        hold(Path(sys.argv[2]), float(sys.argv[3]))
