"""Recorded notes as the table of a sound file: of one key or several, struck softly or hard.

Units: as in `config.sound` and `config.rank`: dB, seconds (T60), at C4 where it matters.

The first note is the sound. Others on its key, quieter or louder, say what strength changes; those
on other keys say what the key changes. `config.sound.Sound` validates what is returned.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from config.rank import MAX_PARTIALS
from voices.analysis.description import Description, Found

MOST_SINGLE = 24
"""So many of the loudest partials are ranks of their own; the others share some."""
_SHARED_RANKS = 6
_SAME_CENTS = 45.0
_MIDDLE_C = 60
_LONGEST_S = 600.0
_DECAYING_DB, _STANDING_DB = -20.0, -25.0
"""The level of all partials together at which sounds are alike in loudness."""
_NOISE_PARTIALS = 32
_BALANCE_KEYS = range(24, 109, 12)


@dataclass(frozen=True)
class _Scaled:
    """One partial at C4, and what an octave changes."""

    ratio: float
    level_db: float
    decay_s: float
    level_by_octave: float = 0.0
    decay_by_octave: float = 1.0


def table_of(notes: Sequence[Description], title: str, about: str) -> dict[str, Any]:
    """Return the table of a sound file; ``notes`` are one or more, the first of them the sound."""
    main = notes[0]
    same = [note for note in notes if note.key == main.key]
    loudest = max(same, key=lambda note: note.level_db)
    keys = [loudest, *(note for note in notes if note.key != main.key)]
    table: dict[str, Any] = {"title": title[:40], "about": about[:200]}
    simple = len(keys) == 1 and loudest.noise is None and _is_plain(loudest)
    if simple:  # ranks are as loud as others by themselves
        table["level_db"] = _trim_db(loudest)
    if len(keys) > 1:
        table["balance_db"] = _balance(keys)
    table |= {"partials": _columns(loudest)} if simple else {"ranks": _ranks(keys)}
    if loudest.noise is not None:
        table["onset_noise"] = _noise(loudest)
    table["envelope"] = {
        "attack_s": _rounded(float(np.clip(loudest.rise_s, 0.001, 20.0)), 4),
        "release_s": _rounded(float(np.clip(loudest.release_s or 0.15, 0.02, 600.0)), 3),
    }
    if len(same) > 1:
        table |= _strengths(same)
    return table


def _is_plain(note: Description) -> bool:
    return len(note.partials) <= MAX_PARTIALS and all(p.second_db is None for p in note.partials)


def _trim_db(note: Description) -> float:
    loudest = max(each.level_db for each in note.partials)
    rings = all(np.isfinite(each.decay_s) for each in note.partials)
    whole = note.level_db - loudest
    return _rounded((_DECAYING_DB if rings else _STANDING_DB) - whole, 1)


def _columns(note: Description) -> dict[str, Any]:
    """Return partials as columns, phases and all."""
    loudest = max(each.level_db for each in note.partials)
    columns: dict[str, Any] = {
        "ratio": [_rounded(each.ratio, 6) for each in note.partials],
        "level_db": [_rounded(each.level_db - loudest, 2) for each in note.partials],
        "phase": [_rounded(each.phase, 4) for each in note.partials],
    }
    if any(np.isfinite(each.decay_s) for each in note.partials):
        columns["decay_s"] = [_decay(each.decay_s) for each in note.partials]
    return columns


def _ranks(keys: Sequence[Description]) -> list[dict[str, Any]]:
    main = keys[0]
    loudest = max(each.level_db for each in main.partials)
    by_level = sorted(main.partials, key=lambda each: -each.level_db)[:MAX_PARTIALS]
    single = sorted(by_level[:MOST_SINGLE], key=lambda each: each.ratio)
    doubled = sum(each.second_db is not None for each in single)
    noise = _NOISE_PARTIALS if main.noise else 0
    room = MAX_PARTIALS - len(single) - doubled - noise
    shared = sorted(by_level[MOST_SINGLE:][: max(0, room)], key=lambda each: each.ratio)
    rises = [note.rise_s for note in keys]
    rise = _by_octave(keys, np.log(np.maximum(rises, 1e-3)).tolist())[1] if len(keys) > 1 else 0.0
    ranks = []
    for number, found in enumerate(single, 1):
        scaled = _scaled(found, keys)
        rank: dict[str, Any] = {
            "name": f"partial {number}",
            "ratio": _rounded(scaled.ratio, 6),
            "level_db": _rounded(max(scaled.level_db - loudest, -120.0), 2),
        }
        if np.isfinite(scaled.decay_s):
            rank["decay_s"] = _decay(scaled.decay_s)
        if found.second_db is not None:
            rank["pair"] = _pair(found, main.hz)
        if changes := _changes(scaled, float(np.exp(rise))):
            rank["keys"] = changes
        ranks.append(rank)
    size = max(1, -(-len(shared) // _SHARED_RANKS))
    for first in range(0, len(shared), size):
        those = shared[first : first + size]
        ranks.append(_shared(those, loudest, keys, f"others {1 + first // size}"))
    return ranks


def _shared(
    partials: list[Found], loudest: float, keys: Sequence[Description], name: str
) -> dict[str, Any]:
    """Return one rank of several quiet partials."""
    scaled = [_scaled(each, keys) for each in partials]
    rank: dict[str, Any] = {
        "name": name,
        "ratios": [_rounded(each.ratio, 5) for each in scaled],
        "levels_db": [_rounded(max(each.level_db - loudest, -120.0), 1) for each in scaled],
    }
    if all(np.isfinite(each.decay_s) for each in scaled):
        octaves = np.log2([each.ratio / scaled[0].ratio for each in scaled])
        logs = np.log([each.decay_s for each in scaled])
        if octaves[-1] > 0.05 and len(scaled) > 2:
            slope, start = np.polyfit(octaves, logs, 1)
            ends = np.exp([start, start + slope * octaves[-1]])
            rank["decay_s"] = [_decay(float(end)) for end in ends]
        else:
            rank["decay_s"] = _decay(float(np.exp(logs.mean())))
    return rank


def _scaled(found: Found, keys: Sequence[Description]) -> _Scaled:
    """Return a partial at C4, from those like it on all keys."""
    alike = [(keys[0], found)]
    for note in keys[1:]:
        near = min(note.partials, key=lambda each: abs(np.log2(each.ratio / found.ratio)))
        if abs(1200 * np.log2(near.ratio / found.ratio)) < _SAME_CENTS:
            alike.append((note, near))
    if len(alike) == 1:
        return _Scaled(found.ratio, found.level_db, found.decay_s)
    notes = [note for note, _ in alike]
    # The key's own level is the balance's business.
    levels = [each.level_db - note.level_db + keys[0].level_db for note, each in alike]
    level_db, by_octave = _by_octave(notes, levels)
    decay_s, factor = found.decay_s, 1.0
    if all(np.isfinite(each.decay_s) for _, each in alike):
        log, slope = _by_octave(notes, [float(np.log(each.decay_s)) for _, each in alike])
        decay_s, factor = float(np.exp(log)), float(np.exp(slope))
    return _Scaled(found.ratio, level_db, decay_s, by_octave, factor)


def _by_octave(notes: Sequence[Description], values: Sequence[float]) -> tuple[float, float]:
    """Return a value at C4, and how much it grows by octave: the straight line through some."""
    octaves = [(note.key - _MIDDLE_C) / 12 for note in notes]
    slope, middle = np.polyfit(octaves, values, 1)
    return float(middle), float(slope)


def _changes(scaled: _Scaled, rise: float) -> dict[str, float]:
    changes = {
        "level_db": _rounded(float(np.clip(scaled.level_by_octave, -24.0, 24.0)), 2),
        "decay": _rounded(float(np.clip(scaled.decay_by_octave, 0.1, 2.0)), 3),
        "rise": _rounded(float(np.clip(rise, 0.1, 2.0)), 3),
    }
    usual = {"level_db": 0.0, "decay": 1.0, "rise": 1.0}
    return {name: value for name, value in changes.items() if value != usual[name]}


def _pair(found: Found, hz: float) -> dict[str, float]:
    assert found.second_db is not None
    # Beats are told for C4, and grow as the root of the frequency.
    beats = found.beats_hz / float(np.sqrt(hz * found.ratio / 261.6256))
    pair = {"level_db": _rounded(float(np.clip(found.second_db, -60.0, 12.0)), 2)}
    if abs(beats) >= 0.01:
        pair["beats_hz"] = _rounded(float(np.clip(beats, -20.0, 20.0)), 3)
    if np.isfinite(found.decay_s):
        longer = min(found.second_decay_s, _LONGEST_S) / found.decay_s
        pair["longer"] = _rounded(float(np.clip(longer, 0.05, 20.0)), 3)
    return pair


def _noise(note: Description) -> dict[str, Any]:
    noise = note.noise
    assert noise is not None
    low, high = max(noise.low_hz, 20.0), min(noise.high_hz, 20_000.0)
    return {
        "hz": [_rounded(low, 0), _rounded(high, 0)],
        "partials": _NOISE_PARTIALS,
        "level_db": _rounded(float(np.clip(noise.level_db, -80.0, 0.0)), 1),
        "slope_db": _rounded(float(np.clip(noise.slope_db, -48.0, 24.0)), 1),
        "rise_s": _rounded(float(np.clip(note.rise_s, 0.001, 20.0)), 4),
        "decay_s": _decay(noise.decay_s),
    }


def _balance(keys: Sequence[Description]) -> list[float]:
    """Return the level at C1 to C8, straight between the recorded keys and even outside them."""
    ordered = sorted(keys, key=lambda note: note.key)
    places = [note.key for note in ordered]
    levels = np.interp(_BALANCE_KEYS, places, [note.level_db for note in ordered])
    levels -= np.interp(keys[0].key, places, [note.level_db for note in ordered])
    return [_rounded(float(np.clip(level, -120.0, 24.0)), 1) for level in levels]


def _strengths(same: Sequence[Description]) -> dict[str, Any]:
    """Return what strength changes: the softest note is taken for velocity 1."""
    soft = min(same, key=lambda note: note.level_db)
    hard = max(same, key=lambda note: note.level_db)
    range_db = float(np.clip(hard.level_db - soft.level_db, 0.0, 60.0))
    octaves, differences = [], []
    for each in hard.partials:
        near = min(soft.partials, key=lambda other: abs(np.log2(other.ratio / each.ratio)))
        if abs(1200 * np.log2(near.ratio / each.ratio)) < _SAME_CENTS and each.ratio > 0.99:
            octaves.append(float(np.log2(each.ratio)))
            differences.append(each.level_db - near.level_db)
    tilt_db = 0.0
    if len(octaves) > 1:
        tilt_db = float(np.clip(np.polyfit(octaves, differences, 1)[0], 0.0, 12.0))
    found: dict[str, Any] = {
        "velocity": {"range_db": _rounded(range_db, 1), "tilt_db": _rounded(tilt_db, 2)}
    }
    if range_db > 3.0 and tilt_db > 0.0:
        found["effort"] = {"swell_db": _rounded(min(12.0, 10 * tilt_db / range_db), 2)}
    return found


def _decay(seconds: float) -> float:
    return _rounded(float(np.clip(seconds, 0.02, _LONGEST_S)), 3)


def _rounded(value: float, digits: int) -> float:
    return float(round(value, digits)) + 0.0
