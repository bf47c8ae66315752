"""How a note rises: the length of the raised cosine that fits its beginning best, and its onset.

Units: seconds; frames from the start of the recording.
"""

import numpy as np
from numpy.typing import NDArray

from voices.analysis.partials import Partial, moved, sound_of
from voices.analysis.recording import Note

Array = NDArray[np.float64]

SHORTEST_S, LONGEST_S = 0.001, 5.0
_TRIES = 40
_ROUNDS = 4


def rise_of(note: Note, partials: list[Partial]) -> tuple[float, float]:
    """Return how long a note takes to rise, and when that begins, from `Note.onset` on."""
    before = min(note.onset, round(0.02 * note.rate) + (note.full - note.onset) // 2)
    frames = min(len(note.samples) - note.onset, note.full - note.onset + round(0.05 * note.rate))
    heard = note.samples[note.onset - before : note.onset + frames]
    whole = sound_of([moved(each, -before / note.rate) for each in partials], note.rate, len(heard))
    times = np.arange(len(heard)) / note.rate - before / note.rate
    longest = min(LONGEST_S, max(2.5 * frames / note.rate, 2 * SHORTEST_S))
    lengths = np.geomspace(SHORTEST_S, longest, _TRIES)
    shifts = np.linspace(-before / note.rate, 0.01, 41)
    best = (np.inf, SHORTEST_S, 0.0)
    for _ in range(_ROUNDS):
        for length in lengths:
            for shift in shifts:
                error = float(((heard - whole * ramp(times - shift, length)) ** 2).sum())
                best = min(best, (error, float(length), float(shift)))
        _, length, shift = best
        step = (lengths[1] / lengths[0]) ** 1.2
        lengths = np.clip(np.geomspace(length / step, length * step, 13), SHORTEST_S, LONGEST_S)
        apart = float(shifts[1] - shifts[0]) * 1.2
        shifts = np.linspace(shift - apart, shift + apart, 13)
    return best[1], best[2]


def ramp(times: Array, length_s: float) -> Array:
    """Return the raised cosine from 0 to 1 that begins at 0."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(times / length_s, 0.0, 1.0)))
