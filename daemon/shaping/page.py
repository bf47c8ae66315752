"""The page of sliders, without a screen: what is selected, what is heard, and the way back.

Promise: what is heard is always a sound that its rules accept; a move that would break them is
refused in a line and changes nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from config.sound import Sound
from config.toml.faults import ConfigError, validate
from daemon.shaping.sliders import ROOM, Slider, Table, opened, sliders_of, value_at, with_value

MOST_UNDONE = 500


class Hearing(Protocol):
    """Where the sound is heard."""

    def shape(self, name: str, table: Table | None, room_db: float | None) -> None:
        """Play a table in the place of a sound's; None: the sound's own again."""


@dataclass
class Page:
    """The page of one sound.

    Parameters
    ----------
    name, sound
        What is shaped, as it is kept.
    heard
        Where each move is heard at once.
    room_db
        How loud the room is.
    """

    name: str
    sound: Sound
    heard: Hearing
    room_db: float = -80.0
    at: int = 0
    """Which slider is selected."""
    as_it_was: bool = False
    """Whether the sound is heard as it was."""
    said: str = ""
    """The last line of news."""
    _room_said: float | None = None
    """The level of the room of which it was told that no sound keeps it."""
    taken_up: str = ""
    """What is to be said of another page's sound; empty: nothing."""
    _undo: list[tuple[Table, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Open the sound."""
        self.first = opened(self.sound)
        self.first_room_db = self.room_db
        self.table = self.first
        self.sliders = sliders_of(self.table)

    def take_up(self, left: Sound) -> None:
        """Go on with what another page has left, if the sliders are the same."""
        table = opened(left)
        if table != self.first and sliders_of(table) == self.sliders:
            self._undo.append((self.first, self.room_db))
            self.table = table
            self.taken_up = self.said = (
                "taken up as it was left, shaped and not kept; undo goes back behind that"
            )

    @property
    def selected(self) -> Slider:
        """The selected slider."""
        return self.sliders[self.at]

    @property
    def bars(self) -> list[Slider]:
        """The sliders that are bars."""
        return [each for each in self.sliders if each.group == "levels"]

    @property
    def changed(self) -> bool:
        """Whether anything is other than it was."""
        return self.table != self.first

    def value(self, slider: Slider) -> float:
        """Return where a slider is now; with the sound as it was, where it was."""
        if slider is ROOM:
            return self.first_room_db if self.as_it_was else self.room_db
        return value_at(self.first if self.as_it_was else self.table, slider)

    def select(self, by: int) -> None:
        """Select another slider, as far as there are some."""
        self.at = min(len(self.sliders) - 1, max(0, self.at + by))

    def next_group(self) -> None:
        """Select the first slider of the next group."""
        group = self.selected.group
        ahead = [n for n in range(self.at, len(self.sliders)) if self.sliders[n].group != group]
        self.at = ahead[0] if ahead else 0

    def move(self, steps: float) -> None:
        """Move the selected slider."""
        self.put(self.selected.moved(self.value(self.selected), steps))

    def put(self, value: float) -> None:
        """Move the selected slider to a value."""
        slider, self.as_it_was = self.selected, False
        before = self.table, self.room_db
        if slider is ROOM:
            self.room_db = min(slider.high, max(slider.low, value))
        else:
            new = with_value(self.table, slider, value)
            try:
                validate(Sound, new, self.name)
            except ConfigError as error:
                self.said = error.faults[0]
                return
            self.table = new
        if before != (self.table, self.room_db):
            self._undo.append(before)
            del self._undo[:-MOST_UNDONE]
        found = self.value(slider)
        self.said = f"{slider.name} {slider.words(found)}"
        if abs(found - value) > 0.01 * abs(value):
            self.said += ", and no further"
        self.hear()

    def undo(self) -> None:
        """Take the last move back."""
        if not self._undo:
            self.said = "nothing to undo"
            return
        (self.table, self.room_db), self.as_it_was = self._undo.pop(), False
        self.said = "undone"
        self.hear()

    def compare(self) -> None:
        """Hear the sound as it was, or again as it is shaped."""
        self.as_it_was = not self.as_it_was
        self.said = "heard as it was" if self.as_it_was else "heard as shaped"
        self.hear()

    def kept(self, where: str) -> None:
        """Take note that it has been kept: that is what it was, from now on."""
        self.first, self.as_it_was = self.table, False
        self.said = f"kept: {where}"
        if self._room_said != self.room_db != self.first_room_db:
            self._room_said = self.room_db
            self.said += f"; not the room: {self._of_the_room()}"

    def farewell(self, keep: str, leave: str) -> str:
        """Return what goes with the page, told once each time; empty: nothing.

        ``keep`` and ``leave``: how to keep the sound, and how to leave all the same.
        """
        if self.changed:
            return f"not kept: {keep} keeps it, {leave} again leaves without"
        if self._room_said != self.room_db != self.first_room_db:
            self._room_said = self.room_db
            return f"the room goes back: {self._of_the_room()}; {leave} again leaves"
        return ""

    def _of_the_room(self) -> str:
        return f"level_db = {self.room_db:.1f} under [room] in the settings keeps it"

    def leave(self) -> None:
        """Have the sound itself played again, unless what is heard has been kept."""
        self.heard.shape(self.name, None, self.first_room_db)

    def hear(self) -> None:
        """Have what is to be heard played."""
        if self.as_it_was:
            self.heard.shape(self.name, None, self.first_room_db)
        else:
            room_db = self.room_db if self.room_db != self.first_room_db else None
            self.heard.shape(self.name, self.table, room_db)


def named(page: Page, words: str) -> int | None:
    """Return the place of the slider that is called so, or begins so; None: there is none."""
    words = words.strip().lower()
    names: list[str] = [each.name.lower() for each in page.sliders]
    if words in names:
        return names.index(words)
    alike = [n for n, name in enumerate(names) if words and name.startswith(words)]
    return alike[0] if alike else None


Keep = Callable[[str, Page], Any]
"""Keeps the page's sound under a name; returns where, or raises `daemon.errors.RunError`."""
