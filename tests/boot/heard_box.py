"""What the board's sound card played, held against what was played on the board.

``python3 heard_box.py FOLDER``: the guest told of passages (`box.Passages`), each between
silences; here they are found in the capture one after the other. Of a passage are looked at: its
keys (and those that had to be gone), its onset, which has to come as long after the strike as
those of the other passages, and whether the phase of what was held jumped. The capture's time
stops while the card does, so onsets are compared between strikes of one life of the card.
"""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from tests.boot.heard import Audio, load

SILENCE_S = 0.15
SPREAD_S = 0.0005
"""Onsets may differ by this from the steady delay."""
NEAR_CENTS = 3.0
QUIET_DB, NEAR_DB = -40.0, 0.5
"""A level expected below this need only be below it; any other is measured."""
JUMP_RAD = 0.05
"""A lost block of 64 frames turns A4 by 2.6; another note's onset seems to, by up to 0.03."""


def hertz(key: int) -> float:
    return float(440.0 * 2.0 ** ((key - 69) / 12.0))


def sounding(audio: Audio, rate: int) -> list[tuple[int, int]]:
    """Return the stretches between silences, first frame and last."""
    loud = np.flatnonzero(np.abs(audio) > 2e-4)
    if not len(loud):
        return []
    apart = np.flatnonzero(np.diff(loud) > SILENCE_S * rate)
    begins = np.concatenate([loud[:1], loud[apart + 1]])
    ends = np.concatenate([loud[apart], loud[-1:]])
    return [(int(b), int(e)) for b, e in zip(begins, ends, strict=True)]


def level_at(audio: Audio, rate: int, frequency: float) -> float:
    """Return the amplitude of a sine of this frequency."""
    window = np.hanning(len(audio))
    turned = audio * window * np.exp(-2j * np.pi * frequency / rate * np.arange(len(audio)))
    return float(2 * np.abs(turned.sum()) / window.sum())


def off_cents(audio: Audio, rate: int, frequency: float) -> float:
    """Return by how much what sounds near a frequency is off it, from how its phase turns."""
    turned = audio * np.exp(-2j * np.pi * frequency / rate * np.arange(len(audio)))
    half = len(audio) // 2
    window = np.hanning(half)
    first, second = (turned[:half] * window).sum(), (turned[half : 2 * half] * window).sum()
    turn = float(np.angle(second / first)) / (2 * np.pi * half / rate)
    return float(1200 * np.log2((frequency + turn) / frequency))


def phase_jump(audio: Audio, rate: int, frequency: float) -> float:
    """Return the largest step of a held sine's phase, in radians, off its steady turn."""
    window = rate // 50
    turned = audio * np.exp(-2j * np.pi * frequency / rate * np.arange(len(audio)))
    means = turned[: len(turned) // window * window].reshape(-1, window) @ np.hanning(window)
    steps = np.angle(means[1:] / means[:-1])
    return float(np.abs(steps - np.median(steps)).max())


class Heard:
    """The capture, and the faults found in it."""

    def __init__(self, folder: Path) -> None:
        self.rate, self.audio = load(folder / "card.wav")
        lines = (folder / "out.txt").read_text().splitlines()
        records = [json.loads(line[2:]) for line in lines if line.startswith("@ ")]
        self.passages = [each for each in records if "passage" in each]
        self.faults: list[str] = []

    def judge(self) -> None:
        stretches = sounding(self.audio, self.rate)
        names = [each["passage"] for each in self.passages]
        if len(stretches) != len(names):
            told = ", ".join(f"{b / self.rate:.2f}-{e / self.rate:.2f}" for b, e in stretches)
            self.faults.append(f"{len(names)} passages played, {len(stretches)} heard: {told} s")
            return
        lag: dict[int, list[float]] = {}
        levels: dict[str, float] = {}
        for passage, (begin, end) in zip(self.passages, stretches, strict=True):
            if "cue" in passage:
                self._cue(passage, self.audio[begin:end])
                continue
            late_s = begin / self.rate - passage["begun"]
            if passage["prompt"]:
                lag.setdefault(passage["life"], []).append(late_s)
            self._tones(passage, late_s, levels)
        if levels:
            print(
                "levels: " + ", ".join(f"{k} {20 * np.log10(v):.2f} dB" for k, v in levels.items())
            )
            if max(levels.values()) / min(levels.values()) > 1.001:
                self.faults.append("the level is not what it was")
        for life, each in lag.items():
            spread_s = float(np.ptp(each))
            print(f"onsets: {len(each)} in life {life} of the card, within {1e3 * spread_s:.3f} ms")
            if spread_s > SPREAD_S:
                steady = float(np.median(each))
                off = ", ".join(f"{1e3 * (one - steady):.2f}" for one in each)
                self.faults.append(f"onsets off their steady delay by {off} ms")

    def _tones(self, passage: dict[str, Any], late_s: float, levels: dict[str, float]) -> None:
        name = passage["passage"]
        for tone in passage["tones"]:
            audio = self._cut(tone["from"] + late_s, tone["to"] + late_s)
            strengths = {key: level_at(audio, self.rate, hertz(key)) for key in tone["keys"]}
            for key, strength in strengths.items():
                if strength < 0.002:
                    self.faults.append(f"{name}: key {key} is not heard ({strength:.5f})")
            for key in tone["gone"]:
                if level_at(audio, self.rate, hertz(key)) > 0.02 * max(strengths.values()):
                    self.faults.append(f"{name}: key {key} is heard, and should be gone")
            if tone["spectrum"]:
                self._spectrum(name, audio, hertz(tone["keys"][0]), tone["spectrum"])
            if len(strengths) == 1:
                cents = off_cents(audio, self.rate, hertz(tone["keys"][0]))
                print(f"{name}: {cents:+.3f} cents")
                if abs(cents) > NEAR_CENTS:
                    self.faults.append(f"{name}: {cents:+.2f} cents off")
        if passage["steady"]:
            tones = passage["tones"]
            audio = self._cut(tones[0]["from"] + late_s, tones[-1]["to"] + late_s)
            jump = phase_jump(audio, self.rate, hertz(tones[0]["keys"][0]))
            print(f"{name}: phase steady within {jump:.4f} rad over {len(audio) / self.rate:.2f} s")
            if jump > JUMP_RAD:
                self.faults.append(f"{name}: the phase jumps by {jump:.2f} rad")
        if passage["level"]:
            tone = passage["tones"][0]
            audio = self._cut(tone["from"] + late_s, tone["to"] + late_s)
            levels[name] = level_at(audio, self.rate, hertz(tone["keys"][0]))

    def _spectrum(self, name: str, audio: Audio, key: float, wanted: dict[str, float]) -> None:
        """Look at the levels of partials beside the key's own."""
        own = level_at(audio, self.rate, key)
        levels = {n: level_at(audio, self.rate, key * int(n)) / own for n in wanted}
        found = {n: float(20 * np.log10(max(level, 1e-6))) for n, level in levels.items()}
        words = ", ".join(f"{n} at {level:+.1f} dB" for n, level in found.items())
        print(f"{name}: partials {words}")
        for n, level in wanted.items():
            quiet = level <= QUIET_DB
            if found[n] > QUIET_DB if quiet else abs(found[n] - level) > NEAR_DB:
                self.faults.append(f"{name}: partial {n} at {found[n]:+.1f}, not {level:+.1f} dB")

    def _cue(self, passage: dict[str, Any], audio: Audio) -> None:
        """Look for the tones of a cue, each as long as its share of it."""
        keys = passage["cue"]
        if not keys:  # something that need not be looked into
            return
        strengths = [level_at(audio, self.rate, hertz(key)) for key in keys]
        other = level_at(audio, self.rate, hertz(keys[0] - 6))
        print(f"{passage['passage']}: {len(audio) / self.rate:.2f} s")
        if min(strengths) < 4 * other:
            self.faults.append(f"{passage['passage']}: {strengths} at its keys, {other} beside")

    def _cut(self, begin_s: float, end_s: float) -> Audio:
        return self.audio[round(begin_s * self.rate) : round(end_s * self.rate)]


def main() -> None:
    heard = Heard(Path(sys.argv[1]))
    heard.judge()
    for fault in heard.faults:
        print(f"FAILED {fault}")
    sys.exit(bool(heard.faults))


if __name__ == "__main__":
    main()
