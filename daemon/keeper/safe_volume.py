"""The level at which a sound card starts: as it was left, and on another card the safe one.

Threads: the main loop's alone.

Headphones or an amplifier that were not played before start at the level of power-on, wherever the
volume pedal stood on another card; a card that comes back within one power-on is as loud as it was.
"""

from collections.abc import Sequence

from config.bindings import Binding
from daemon.midi.channel_state import ChannelState
from voices.curves import bipolar_map

VOLUME = 7
POWER_UP_VOLUME = 100
"""Of a channel's volume control (GM2 v1.2a and RP-015 have it so)."""
_CONTROL = 0xB0


def is_louder(message: Sequence[int], bindings: Sequence[Binding]) -> bool:
    """Return whether a message turns a fresh channel up."""
    if message[0] & 0xF0 != _CONTROL or len(message) < 3:
        return False
    number, value = message[1], message[2]
    bound = [binding for binding in bindings if binding.control == number]
    if bound:
        return any(
            each.target == "volume" and bipolar_map(value, *each.ends) > 0.0 for each in bound
        )
    return number == VOLUME and value > POWER_UP_VOLUME


class SafeVolume:
    """What each card was turned up to.

    Parameters
    ----------
    channel_state
        What the controls are set to; a control that was turned up on another card is put back.
    """

    def __init__(self, channel_state: ChannelState) -> None:
        self._channel_state = channel_state
        self._card = ""
        self._held_back: list[tuple[int, bytes]] = []
        self._left: dict[str, list[tuple[int, bytes]]] = {}

    def recall(self, card: str) -> None:
        """Say on which card the controls were set, if not by this daemon."""
        self._card = card

    def safe(self, bindings: Sequence[Binding]) -> list[tuple[int, bytes]]:
        """Return the controls as set, but for what is louder than at power-on."""
        controls = self._channel_state.messages()
        self._held_back = [each for each in controls if is_louder(each[1], bindings)]
        return [each for each in controls if each not in self._held_back]

    def of(self, card: str) -> list[tuple[int, bytes]]:
        """Return the controls that a card gets besides, by its identity, once it is the one."""
        if card == self._card:
            return self._held_back
        self._left[self._card], self._card = self._held_back, card
        for controller, message in self._held_back:
            self._channel_state.drop_control(controller, message)
        again = []
        for controller, message in self._left.pop(card, []):
            # A control that was moved since stays where it was put.
            if self._channel_state.is_untouched(controller, message):
                self._channel_state.record(message, controller)
                again.append((controller, message))
        return again
