"""Gestures at work: while something is held, the other keys are commands.

Every strike of the key that is held, and of the others meanwhile, is booked as a command; keys
that come up are handed on whatever is held, so no gesture strands a note. What a controller tells
of itself when it is plugged in holds nothing.

Units: keys and programs as on the wire, frames. Threads: the instrument's.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from config.gestures import FORGET_STRIKES
from config.settings import Settings
from voices.channels.channel import Channel
from voices.notes.note_count import NEUTRAL

if TYPE_CHECKING:  # the keeper takes messages from here, and does without numpy
    from voices.notes.notes import Notes

KEPT = 64
"""So many wait to be told at most."""

Strike = Callable[[Channel, int, float, int], None]
"""Begins a note: channel, key, velocity, frame."""


class Done(NamedTuple):
    """One gesture, for whoever tells of it."""

    controller: int
    words: str
    """The command, and what has come of it."""
    octave: int
    """Of the controller, from now on; and by how many keys it is transposed."""
    transposed: int
    zones_off: tuple[int, ...]
    """The zones that are switched off, counted from 1."""
    program: tuple[int, int] = (-1, -1)
    """The channel and the program of a sound that was chosen, from 0; -1: none was."""
    moves: tuple[tuple[str, int, float], ...] = ()
    """Where it is kept, what knobs have made of the sound: target, which one, value."""


@dataclass(slots=True)
class Hand:
    """What one controller has done with gestures."""

    held: bool = False
    armed: bool = False
    """Whether the next key is a command."""
    forgets: int = 0
    """How often in a row it has been told to forget."""


class Gestures:
    """The gestures of the settings.

    Parameters
    ----------
    notes
        Books what is no note.
    do
        Does what a command says: takes the words, the channel and the frame.
    strike
        Where other keys go.
    """

    def __init__(
        self, notes: "Notes", do: Callable[[str, Channel, int], Done], strike: Strike
    ) -> None:
        self.done: deque[Done] = deque(maxlen=KEPT)
        """Those that nobody has been told of yet."""
        self.control = self.program = -1
        """What is held, or pressed before a command, if it is no key."""
        self.strike = strike
        self._key = -1
        self._commands: dict[int, str] = {}
        self._notes, self._do = notes, do
        self._hands: dict[int, Hand] = {}

    def use(self, settings: Settings) -> bool:
        """Put the settings' gestures in force; return whether there are any."""
        kind, number = settings.gestures.modifier
        key = number if kind == "key" else -1
        control = number if kind == "control" else -1
        program = number - 1 if kind == "program" else -1
        if (key, control, program) != (self._key, self.control, self.program):
            self._hands.clear()  # what is held now holds nothing any more
        self._key, self.control, self.program = key, control, program
        self._commands = settings.gestures.commands
        return bool(kind)

    def hand(self, controller: int) -> Hand:
        """Return what a controller has done."""
        return self._hands.setdefault(controller, Hand())

    def forget(self, controller: int) -> None:
        """Let a controller be as at power-on."""
        self._hands.pop(controller, None)

    def hold(self, controller: int, *, down: bool) -> None:
        """Press what makes the other keys commands, or let it go."""
        hand = self.hand(controller)
        hand.held, hand.forgets = down, 0

    def arm(self, controller: int) -> None:
        """Make the next key a command."""
        self.hand(controller).armed = True

    def note_on(self, channel: Channel, key: int, velocity: float, at: int) -> None:
        """Take a key as a command, or hand it on."""
        hand = self.hand(channel.controller)
        if key == self._key:
            hand.held = True
        elif not (hand.held or hand.armed):
            hand.forgets = 0
            self.strike(channel, key, velocity, at)
            return
        address = (channel.controller, channel.number, key)
        self._notes.refuse("taken as a command", address, int(velocity), at)
        words = self._commands.get(key)
        if key != self._key:
            hand.armed = False
            hand.forgets = hand.forgets + 1 if words == "forget" else 0
            if hand.forgets:
                words = f"forget {FORGET_STRIKES - hand.forgets}"
                hand.forgets %= FORGET_STRIKES
            if words is not None:
                self.done.append(self._do(words, channel, at))

    def key_up(self, channel: Channel, key: int, at: int, velocity: int = NEUTRAL) -> None:
        """Let a key go."""
        if key == self._key:
            self.hold(channel.controller, down=False)
        self._notes.key_up(channel, key, at, velocity)
