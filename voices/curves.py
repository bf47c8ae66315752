"""The curves of level, pan, velocity, pitch and portamento.

Units: controller values 0 to 127, gains linear, frequencies in hertz.
"""

from collections.abc import Sequence
from math import cos, log, pi, sin

Course = tuple[float, float, float]
"""What an envelope does: its attack in frames, its sustain level, its decay in nepers per frame."""
LN_1000 = log(1000.0)
"""A T60 of T frames is a decay of ``LN_1000 / T`` nepers per frame."""


def db_to_gain(level_db: float) -> float:
    """Return the linear gain of a level in dB."""
    return float(10.0 ** (level_db / 20.0))


def controller_gain(value: float) -> float:
    """Return the gain of channel volume or expression: 40·log10(v/127) dB.

    Source: GM2 v1.2a, sections 3.3.4 and 3.3.6.
    """
    return (value / 127.0) ** 2


def pan_gains(value: float) -> tuple[float, float]:
    """Return the gains left and right of pan, whose squares sum to 1.

    Source: RP-036, Default Pan Formula; 0 and 1 are both hard left, 64 is the centre.
    """
    angle = pi / 2 * max(0.0, value - 1.0) / 126.0
    return (cos(angle), sin(angle)) if value < 127 else (0.0, 1.0)


def balance_gains(value: float) -> tuple[float, float]:
    """Return the gains left and right of balance: both 1 at 64, one side falls towards an end.

    MIDI 1.0 fixes what 0, 64 and 127 mean (p. 13); the straight line between is common practice.
    """
    return min(1.0, max(0.0, (127.0 - value) / 63.0)), min(1.0, value / 64.0)


def velocity_gain(velocity: float, range_db: float) -> float:
    """Return the gain of a velocity: a square law with ``range_db`` from 1 to 127.

    Source: R. B. Dannenberg, The Interpretation of MIDI Velocity, Proc. ICMC 2006, 193-196.
    """
    root = 10 ** (range_db / 40)
    offset = 127 / (126 * root) - 1 / 126
    return float(((1 - offset) * velocity / 127 + offset) ** 2)


def key_frequency(key: int, a4_hz: float, offsets: Sequence[float]) -> float:
    """Return the frequency of a key, 69 being A4, with twelve offsets in cents from C to B."""
    return float(a4_hz * 2.0 ** ((key - 69 + offsets[key % 12] / 100.0) / 12.0))


def bipolar_map(value: float, low: float, high: float, middle: float | None = None) -> float:
    """Return what a control at ``value`` means between its two ends; 64 is the exact middle.

    The middle is the mean of the ends unless ``middle`` is given.
    """
    if middle is None:
        middle = (low + high) / 2
    if value <= 64:
        return low + (middle - low) * value / 64
    return middle + (high - middle) * (value - 64) / 63


def portamento_cents_per_s(value: float) -> float:
    """Return the speed of portamento at a portamento time of 1 to 127.

    It falls exponentially, as the chart of GM2 v1.2a section 3.3.3 does; the ends are ours: an
    octave in 12 ms and in 24 s.
    """
    return float(100_000.0 * 2000.0 ** (-(value - 1.0) / 126.0))
