"""What was found in recordings, in figures, as a terminal shows it.

Units: hertz, cents, dB, seconds.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from config.toml.wording import counted
from daemon.key_names import key_name
from voices.analysis.description import Description
from voices.analysis.pitch import key_hz

_MOST_SHOWN = 12


def found_lines(paths: Sequence[Path], notes: Sequence[Description]) -> Iterator[str]:
    """Yield each note's figures, and the strongest partials of the first one."""
    for path, note in zip(paths, notes, strict=True):
        cents = 1200 * np.log2(note.hz / key_hz(note.key))
        yield (
            f"{path.name}: {key_name(note.key)} {round(cents):+d} cents ({note.hz:.2f} Hz), "
            f"{counted(len(note.partials), 'partial')}"
        )
        yield f"  rise {_seconds(note.rise_s)}; {_release(note)}; {_noise(note)}"
        yield f"  the partials leave {note.residual_db:.1f} dB of it"
    yield from _partials(notes[0])


def _partials(note: Description) -> Iterator[str]:
    loudest = max(each.level_db for each in note.partials)
    yield "   ratio  level dB      T60  second dB  second T60"
    strongest = sorted(note.partials, key=lambda each: -each.level_db)[:_MOST_SHOWN]
    for each in sorted(strongest, key=lambda each: each.ratio):
        second = ""
        if each.second_db is not None:
            second = f"  {each.second_db:>9.1f}  {_seconds(each.second_decay_s):>10}"
        decay = _seconds(each.decay_s)
        yield f"{each.ratio:>8.4f}  {each.level_db - loudest:>8.1f}  {decay:>7}{second}"


def _seconds(seconds: float) -> str:
    if not np.isfinite(seconds):
        return "none"
    return f"{1000 * seconds:.0f} ms" if seconds < 0.1 else f"{seconds:.2f} s"


def _release(note: Description) -> str:
    if note.release_s is None:
        return "not released"
    return f"released within {_seconds(note.release_s)}"


def _noise(note: Description) -> str:
    if note.noise is None:
        return "no noise"
    noise = note.noise
    stays = "stays" if not np.isfinite(noise.decay_s) else f"T60 {_seconds(noise.decay_s)}"
    return f"noise {noise.level_db:.0f} dB, {noise.low_hz:.0f} to {noise.high_hz:.0f} Hz, {stays}"
