"""Active sensing: a controller that promised to keep talking, and fell silent.

Units: frames. Nothing is watched until the first Active Sensing message of a controller.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 32: senders repeat it within 270 ms, receivers
judge from 330 ms on.
"""

PATIENCE_S = 0.33


class Sensing:
    """When each watched controller was heard last."""

    def __init__(self, sample_rate: int) -> None:
        self.watched: dict[int, int] = {}
        self._patience = round(PATIENCE_S * sample_rate)

    def heard(self, controller: int, at: int) -> None:
        """Take note of any message of a watched controller."""
        if controller in self.watched:
            self.watched[controller] = at

    def watch(self, controller: int, at: int) -> None:
        """Expect a controller to keep talking from now on."""
        self.watched[controller] = at

    def forget(self, controller: int) -> None:
        """Return to a controller that may be silent as long as it likes."""
        self.watched.pop(controller, None)

    def silent(self, now: int) -> list[int]:
        """Return the controllers that fell silent, and watch them no more."""
        gone = [each for each, last in self.watched.items() if now - last > self._patience]
        for controller in gone:
            del self.watched[controller]
        return gone
