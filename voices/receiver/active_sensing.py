"""Active sensing: a controller that promised to keep sending, and fell silent.

Units: frames, absolute. Nothing is expected of a controller until its first Active Sensing message.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 32: senders repeat it within 270 ms, receivers
judge from 330 ms on.
"""

from collections.abc import Iterator

PATIENCE_S = 0.33


class ActiveSensing:
    """When each watched controller must have been heard again."""

    def __init__(self, sample_rate: int) -> None:
        self.silent_from: dict[int, int] = {}
        """The frame at which each watched controller has been silent for too long."""
        self._patience = round(PATIENCE_S * sample_rate)

    def heard(self, controller: int, at: int) -> None:
        """Take note of a message of a controller, if it is watched."""
        if controller in self.silent_from:
            self.watch(controller, at)

    def watch(self, controller: int, at: int) -> None:
        """Expect a controller to keep sending from now on."""
        self.silent_from[controller] = at + self._patience + 1

    def forget(self, controller: int) -> None:
        """Let a controller be silent as long as it likes again."""
        self.silent_from.pop(controller, None)

    def fallen_silent(self, until: int) -> Iterator[tuple[int, int]]:
        """Yield the controllers that fell silent at a frame before ``until``, and that frame.

        The earliest comes first; none of them is watched any longer.
        """
        while self.silent_from:
            controller = min(self.silent_from, key=self.silent_from.__getitem__)
            silent_from = self.silent_from[controller]
            if silent_from >= until:
                return
            del self.silent_from[controller]
            yield controller, silent_from
