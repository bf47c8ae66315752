"""Settings as they are in force, and when the files that they come from have been edited.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.
"""

from collections.abc import Iterator
from typing import Any, Protocol

from config.settings import Settings
from config.toml.wording import written
from daemon.storage.settings_files import LoadedSettings

SETTLED_US = 200_000
"""An editor may be in the middle of writing: unchanged for so long means it is done."""


class SettingsSource(Protocol):
    """Where settings come from."""

    def load(self) -> LoadedSettings:
        """Read them."""

    def stamp(self) -> object:
        """Return what changes when they do."""


class SettingsWatch:
    """The source, and what it was like when it was last read.

    Parameters
    ----------
    source
        Where settings and sounds come from.
    """

    def __init__(self, source: SettingsSource) -> None:
        self._source = source
        self._read: object = None
        self._seen: object = None
        self._seen_us = 0

    def load(self) -> tuple[LoadedSettings, bool]:
        """Read everything; return it, and whether it may be other than before."""
        stamp, before = self._source.stamp(), self._read
        self._read = self._seen = stamp
        return self._source.load(), stamp != before

    def edited(self, now_us: int) -> bool:
        """Return whether there is an edit to be read."""
        stamp = self._source.stamp()
        if stamp != self._seen:
            self._seen, self._seen_us = stamp, now_us
            return False
        return stamp != self._read and now_us - self._seen_us >= SETTLED_US


def changes(old: Settings, new: Settings) -> str:
    """Return what is to be appended to a line on new settings; empty: nothing has changed."""
    before = dict(_leaves(old.model_dump()))
    changed = [
        f"{key} = {written(value)}"
        for key, value in _leaves(new.model_dump())
        if before.get(key) != value
    ]
    reopened = "; the sound card is reopened" if old.audio != new.audio else ""
    return f"; new: {', '.join(changed)}{reopened}" if changed else ""


def _leaves(plain: dict[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in plain.items():
        if isinstance(value, dict) and value:
            yield from _leaves(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value
