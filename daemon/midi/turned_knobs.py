"""Turned knobs: which of those that can shape a sound have been turned since one was kept.

A controller that only tells where its knobs stand has turned none; what springs back (pressure, the
pitch wheel, a switch pedal) is no knob. A cheap knob that trembles is
turned again and again, but never far.

Units: values as on the wire. Threads: the main loop's alone.
"""

from collections.abc import Iterable

from config.bindings import Binding
from config.gestures import SOUND_CONTROLS
from config.shaped_sound import KEEPABLE
from daemon.midi.channel_state import ChannelState, ControlAddress
from voices.channels.knob import MOST_TREMBLE


class TurnedKnobs:
    """The knobs of all controllers.

    Parameters
    ----------
    state
        Where they stand.
    """

    def __init__(self, state: ChannelState) -> None:
        self.any = False
        """Whether one has been turned since `take`."""
        self._state = state
        self._stood: dict[ControlAddress, int] = {}
        self._turned_to: dict[ControlAddress, int] = {}
        """Where each was when it had last been turned far."""

    def take(self, bindings: Iterable[Binding]) -> None:
        """Have whatever was turned until now count as kept, or told of."""
        self.look(bindings)
        self.any = False

    def look(self, bindings: Iterable[Binding]) -> bool:
        """Look at all of them; return whether one was turned further than any trembles."""
        numbers: set[int | str] = {b.control for b in bindings if b.stays and b.target in KEEPABLE}
        numbers |= set(SOUND_CONTROLS) - {each.control for each in bindings}
        stand = self._state.turned(numbers)
        before, self._stood = self._stood, stand
        turned = {each: value for each, value in stand.items() if before.get(each) != value}
        self.any |= bool(turned)
        far = {
            each: value
            for each, value in turned.items()
            if abs(value - self._turned_to.get(each, -128)) > MOST_TREMBLE
        }
        self._turned_to |= far
        return bool(far)
