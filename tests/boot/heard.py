"""What the virtual board's sound card played: onsets, pitch, gaps.

``python3 heard.py delay FOLDER FRAMES`` sets the onsets against the moments at which the keys were
struck; ``python3 heard.py hold FOLDER``, or ``disturb`` in its place, looks for jumps of
phase, which are what a lost block leaves; ``python3 heard.py stall FOLDER`` says whether such a
jump is found where there has to be one. The capture's time is the stream's: it
stops while the card does.
"""

import re
import struct
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]

LOWEST_HZ = (65.40639, 73.41619)
"""The keys 36 and 38, equal temperament from 440 Hz."""
HOLD_S = 60.0
DISTURB_S = 70.0


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
    if not len(struck):
        raise SystemExit("nothing was struck")
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


def jumps(audio: Audio, rate: int) -> int:
    """Return how often a steady chord's phase jumps.

    At its two lowest keys: what leaves the phase of one of them where it was moves the other's.
    """
    window = rate // 2  # long enough to tell neighbouring keys apart
    count = 0
    for hertz in LOWEST_HZ:
        turned = audio * np.exp(-2j * np.pi * hertz / rate * np.arange(len(audio)))
        means = turned[: len(turned) // window * window].reshape(-1, window) @ np.hanning(window)
        steps = np.angle(means[1:] / means[:-1])
        count = max(count, int((np.abs(steps - np.median(steps)) > 0.2).sum()))
    return count


def held(folder: Path) -> tuple[float, int, int]:
    """Return the seconds of the chord, its phase jumps, and the underflows that were told."""
    rate, audio = load(folder / "card.wav")
    sounding = np.flatnonzero(np.abs(audio) > 1e-3)
    if not len(sounding):
        raise SystemExit("nothing was heard")
    # From when the attacks are over to the fade at the end.
    audio = audio[sounding[0] + rate : sounding[-1] - rate // 2]
    told = re.findall(r"(\d+) underflows?\b", (folder / "out.txt").read_text())
    return len(audio) / rate, jumps(audio, rate), max(map(int, told), default=-1)


def hold(folder: Path, least_s: float) -> None:
    seconds, jumped, underflows = held(folder)
    print(f"{seconds:.1f} s of the chord captured, {jumped} phase jumps, {underflows} underflows")
    sys.exit(seconds < least_s - 2 or jumped > 0 or underflows != 0)


def stall(folder: Path) -> None:
    _, jumped, underflows = held(folder)
    print(f"stopped for 0.2 s on purpose: {jumped} phase jumps, {underflows} underflows told")
    sys.exit(jumped == 0)


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["delay", folder, frames]:
            delay(Path(folder), int(frames))
        case ["hold", folder]:
            hold(Path(folder), HOLD_S)
        case ["disturb", folder]:
            hold(Path(folder), DISTURB_S)
        case ["stall", folder]:
            stall(Path(folder))
