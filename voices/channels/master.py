"""The master controls: what system exclusive messages set for the whole instrument.

Units: 14-bit values as on the wire, cents, gains linear.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 57; CA-025 for the tuning; GM2 v1.2a section 4.1
for the square law of the volume.
"""

from voices.curves import balance_gains, controller_gain

FULL, MIDDLE = 0x3FFF, 0x2000
OWN, ALL = 0, 1
"""How a message addresses an instrument: by its device number, or with all others. The volumes of
both are kept apart (p. 57), and they multiply."""


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
        self.update()

    def update(self) -> None:
        """Work out what the values mean; must follow every change."""
        gains, left, right = 1.0, 1.0, 1.0
        for volume, balance in zip(self.volume, self.balance, strict=True):
            gains *= controller_gain(min(127.0, volume / 128.0))  # so that both ends are exact
            sides = balance_gains(balance / 128.0)
            left, right = left * sides[0], right * sides[1]
        self.gain = gains
        """Of the volumes together."""
        self.sides = (left, right)
        """The gains of the balances together, left and right."""
        self.cents = (self.fine - MIDDLE) * 100.0 / MIDDLE + (self.coarse - 64) * 100.0
        """Fine and coarse tuning together."""
