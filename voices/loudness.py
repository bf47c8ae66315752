"""Loudness: how loud the partials of a note are heard, and what makes every note equally loud.

The measure is that of ITU-R BS.1770-4: power over 400 ms, weighted by frequency. A partial that
dies away meanwhile counts for as long as it rings, and two that are close together beat.

Units: hertz, linear levels, T60 in seconds. Shapes: ``P`` partials, ``S`` sides.
"""

import numpy as np
from numpy.typing import NDArray

from voices.curves import LN_1000

Array = NDArray[np.float64]

RATE = 48_000
# BS.1770-4, Tables 1 and 2: the two filters at 48 kHz, numerators and denominators.
SHELF = (1.53512485958697, -2.69169619938640, 1.19839281085285)
SHELF_BELOW = (1.0, -1.69065929318241, 0.73248077421585)
HIGH_PASS = (1.0, -2.0, 1.0)
HIGH_PASS_BELOW = (1.0, -1.99004745483398, 0.99007225036621)
WINDOW_S = 0.4
LEAST = 0.02
"""No partial counts for less than this part of its power, so that none is raised without end."""
BEATS_HZ, MOST_BEATING = 8.0, 12
"""Partials this near to each other beat, with so many at most."""
LEAST_POWER = 1e-12
USUAL_POWER = 0.00143
"""The weighted power of a note at velocity 100: some -33 LUFS at the usual volume."""


def weight(hertz: Array) -> Array:
    """Return what the power of a partial counts for, by its frequency."""
    turn = np.exp(-2j * np.pi * np.minimum(hertz, RATE / 2) / RATE)
    above = _polynomial(SHELF, turn) * _polynomial(HIGH_PASS, turn)
    below = _polynomial(SHELF_BELOW, turn) * _polynomial(HIGH_PASS_BELOW, turn)
    return np.asarray(np.maximum(np.square(np.abs(above / below)), LEAST))


def _polynomial(
    terms: tuple[float, float, float], turn: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    return (terms[2] * turn + terms[1]) * turn + terms[0]


def _falls(decays_s: Array) -> Array:
    """Return by how many nepers partials fall in `WINDOW_S`."""
    return np.asarray(LN_1000 * WINDOW_S / np.minimum(decays_s, 1e6))


def _lasting(falls: Array) -> Array:
    """Return the mean power of falling partials over `WINDOW_S`, beside that at the beginning."""
    return np.asarray(np.maximum(-np.expm1(-2.0 * falls) / (2.0 * falls), LEAST))


def single_powers(hertz: Array, phasors: NDArray[np.complex128], decays_s: Array) -> Array:
    """Return the weighted power of each partial over `WINDOW_S`, were it alone, (P,)."""
    powers = np.square(np.abs(phasors)).sum(axis=0) * weight(hertz) / (2.0 * len(phasors))
    return np.asarray(powers * _lasting(_falls(decays_s)))


def heard_power(hertz: Array, phasors: NDArray[np.complex128], decays_s: Array) -> float:
    """Return the weighted power of partials over `WINDOW_S` from their beginning.

    ``phasors`` are their levels and phases on each side, (S, P). Partials that are less than
    `BEATS_HZ` apart beat, and add to each other or take away; those that do not decay are heard
    for long, and on average they do neither.
    """
    # Stable, for the other kind orders equal ones by what the processor has.
    order = np.argsort(hertz, kind="stable")
    hertz, decays_s = hertz[order], decays_s[order]
    phasors = phasors[:, order] * np.sqrt(weight(hertz) / (2.0 * len(phasors)))
    falls = _falls(decays_s)
    cycles = hertz * WINDOW_S
    powers = np.square(np.abs(phasors)).sum(axis=0)
    power = float(powers @ _lasting(falls))
    for apart in range(1, min(MOST_BEATING, len(hertz) - 1) + 1):
        near = np.flatnonzero(
            (hertz[apart:] - hertz[:-apart] < BEATS_HZ) & np.isfinite(decays_s[apart:])
        )
        if not len(near):
            break
        far = near + apart
        falling = falls[near] + falls[far] - 2j * np.pi * (cycles[far] - cycles[near])
        together = (phasors[:, far] * phasors[:, near].conj()).sum(axis=0)
        power += 2.0 * float((together * -np.expm1(-falling) / falling).real.sum())
    return max(power, LEAST * float(powers.max()), LEAST_POWER)
