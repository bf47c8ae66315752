"""The evening of a note: gains that make every key, every vowel and every sound equally loud.

At each velocity the level is what the law of velocity says, though a soft stroke is duller as well:
what the tilt takes away is given back here.

Units: linear gains; tilts in dB per octave between velocity 1 and 127. Shapes: ``P`` partials.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.loudness import USUAL_POWER, heard_power, single_powers
from voices.timbres.ranks import key_hz
from voices.timbres.timbre import EVENED_AT, Spec

USUAL_VELOCITY = 100
"""All are equally loud when they are struck like this."""
_SOFT_USUALLY = (127 - USUAL_VELOCITY) / 126

Columns = tuple[NDArray[Any], NDArray[Any], NDArray[Any]]
"""Hertz, phasors and T60 of partials: (P,), (S, P) and (P,)."""


def key_gain(specs: Sequence[Spec], key: int, tilt_db: float) -> float:
    """Return the gain that makes a note at the usual velocity as loud as all others are."""
    return float((USUAL_POWER / heard_power(*_lasting(specs, key, tilt_db))) ** 0.5)


def touch_gains(specs: Sequence[Spec], key: int, tilt_db: float) -> NDArray[np.float64] | None:
    """Return what gives back at `EVENED_AT` the level that the tilt takes away; None: nothing."""
    if not tilt_db:
        return None
    hertz, phasors, decays_s = _lasting(specs, key, tilt_db)
    powers = single_powers(hertz, phasors, decays_s)
    above = np.maximum(np.log2(hertz / key_hz(key)), 0.0)
    duller = tilt_db * ((127 - EVENED_AT) / 126 - _SOFT_USUALLY)
    heard = 10.0 ** (duller[:, None] * above / -10) @ powers
    return np.asarray((powers.sum() / heard) ** 0.5)


def _lasting(specs: Sequence[Spec], key: int, tilt_db: float) -> Columns:
    """Return a note's partials at the usual velocity, their shadows left out."""
    parts = []
    for spec in specs:
        lasting = np.full(len(spec.ratios), True)
        if spec.first_to_go is not None:
            lasting &= ~spec.first_to_go
        ratios, levels = np.asarray(spec.ratios), np.asarray(spec.levels)
        above = np.maximum(np.log2(ratios), 0.0)
        levels = levels * 10.0 ** (above * tilt_db * _SOFT_USUALLY / -20)
        columns = ratios * key_hz(key), spec.phasors[0] * levels, np.asarray(spec.decays_s)
        parts.append([column[..., lasting] for column in columns])
    hertz, phasors, decays_s = (np.concatenate(each, axis=-1) for each in zip(*parts, strict=True))
    return hertz, phasors, decays_s
