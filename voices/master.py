"""The master controls: what system exclusive messages set for the whole instrument.

Units: 14-bit values as on the wire, cents, gains linear.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 57; CA-025 for the tuning; GM2 v1.2a section 4.1
for the square law of the volume.
"""

from voices.laws import balance_gains, controller_gain

FULL, MIDDLE = 0x3FFF, 0x2000
OWN, ALL = 0, 1
"""By whom an instrument is meant: by its own device number, or with all others; p. 57 keeps the
volumes of both apart, and they multiply."""


class Master:
    """Volume, balance and tuning above those of every channel."""

    def __init__(self) -> None:
        self.power_up()

    def power_up(self) -> None:
        """Put everything back to neutral."""
        self.volume = [FULL, FULL]
        self.balance = [MIDDLE, MIDDLE]
        self.fine = MIDDLE
        self.coarse = 64

    @property
    def gain(self) -> float:
        """The gain of both volumes together."""
        return controller_gain(_seven(self.volume[OWN])) * controller_gain(_seven(self.volume[ALL]))

    @property
    def sides(self) -> tuple[float, float]:
        """The gains of the balance, left and right."""
        (left, right), (more_left, more_right) = (balance_gains(v / 128) for v in self.balance)
        return left * more_left, right * more_right

    @property
    def cents(self) -> float:
        """Fine and coarse tuning together."""
        return (self.fine - MIDDLE) * 100.0 / MIDDLE + (self.coarse - 64) * 100.0


def _seven(value: int) -> float:
    """Return a 14-bit value in 7-bit units, with both ends exact."""
    return min(127.0, value / 128.0)
