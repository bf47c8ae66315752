"""Commands: what a key does while it is one.

Units: keys and programs as on the wire, frames. Threads: the instrument's.
"""

from voices.channels.channel import Channel
from voices.receiver.gestures import Done
from voices.receiver.part import Part

MOST_OCTAVES, MOST_KEYS = 5, 12
"""How far the octave and the transposition go, either way."""


class Commands:
    """Does what gestures say, to the channels of their controller.

    Parameters
    ----------
    part
        What they act on.
    """

    def __init__(self, part: Part) -> None:
        self._part = part

    def do(self, words: str, channel: Channel, at: int) -> Done:
        """Do what a command says; return what has come of it."""
        told, program = words, (-1, -1)
        match words.split():
            case ["octave", way]:
                told += self._shift(channel, 1 if way == "up" else -1, 0)
            case ["transpose", way]:
                told += self._shift(channel, 0, 1 if way == "up" else -1)
            case ["as", "written"]:
                told += self._shift(channel, -channel.octave, -channel.transposed)
            case ["sound", number]:
                program = self._choose(channel, int(number) - 1, 0, at)
            case ["next" | "previous" as way, "sound"]:
                program = self._choose(channel, None, 1 if way == "next" else -1, at)
            case ["latch"]:
                count = self._part.notes.latch(channel.controller, at)
                told += f": {count} held" if count > 0 else f": {-count} released"
            case ["tremulant"]:
                told += ": on" if self._shake(at) else ": off"
            case ["zone", number]:
                told += _ON_OFF[self._part.zones.switch(int(number) - 1, at)]
            case ["panic"]:
                self._part.panic(at)
            case ["keep"]:
                return self.tell(channel, words)
            case ["forget", left]:
                told = "forget" if left == "0" else f"forget: {left} more to go"
        if program[1] >= 0:
            told += f": {channel.control_channel.sound}"
        elif "sound" in words:
            told += ": there is none"
        return Done(channel.controller, told, *self._standing(channel), program)

    def tell(self, channel: Channel, words: str = "") -> Done:
        """Return what knobs have made of the sound, with the words of a command or none."""
        moves = tuple(self._part.moves(channel))
        return Done(channel.controller, words, *self._standing(channel), moves=moves)

    def _standing(self, channel: Channel) -> tuple[int, int, tuple[int, ...]]:
        off = tuple(sorted(place + 1 for place in self._part.zones.off))
        return channel.octave, channel.transposed, off

    def _shift(self, channel: Channel, octaves: int, keys: int) -> str:
        octave = max(-MOST_OCTAVES, min(MOST_OCTAVES, channel.octave + octaves))
        transposed = max(-MOST_KEYS, min(MOST_KEYS, channel.transposed + keys))
        self._part.shift(channel.controller, octave, transposed)
        return f": {octave:+d} and {transposed:+d} keys" if transposed else f": {octave:+d}"

    def _choose(self, channel: Channel, place: int | None, step: int, at: int) -> tuple[int, int]:
        """Choose a program, or the next or previous one that has a sound; return it."""
        part, choice, owner = self._part, self._part.settings.sound, channel.control_channel
        names = choice.programs
        if place is None:
            now = owner.sound or choice.name
            at_first = names.index(now) if now in names else -step
            places = [(at_first + step * n) % len(names) for n in range(1, len(names) + 1)]
        else:
            places = [place] if place < len(names) else []
        for each in places:
            if part.notes.has_sound(names[each]):
                owner.sound = names[each]
                part.set_targets(owner, at)
                return owner.number, each
        return -1, -1

    def _shake(self, at: int) -> bool:
        shared = self._part.shared
        on = shared.depth <= 0.0
        shared.move_tremulant((self._part.settings.tremulant.depth or 1.0) if on else 0.0, at)
        return on


_ON_OFF = {True: ": on", False: ": off", None: ": there is none"}
