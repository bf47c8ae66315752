"""The learned file: the sound and the knobs' bindings chosen at the controller, kept at power-off.

Threads: the main loop's alone, but for the write that it requests.

The sound is kept only where no file of the owner's names one, and all channels agree on it. What
else the learned file holds stays in it.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from config.bindings import Binding
from config.layers import BOOT, LEARNED, OWNER
from config.settings import Settings
from config.toml.faults import ConfigError, parse_toml
from config.toml.files import read_text, write_atomic
from config.toml.syntax import inline
from daemon.storage.deferred_writes import Request, Write

NAME = "the sound chosen last"
KEY = "sound.name"
BINDINGS = "the bindings learned"

Program = tuple[int, int]
"""Bank and program, counted from 0."""


class LearnedFile:
    """Writes the file.

    Parameters
    ----------
    request
        Requests a deferred write.
    own_write
        Returns a write of the file that does not count as an edit:
        `daemon.storage.settings_files.SettingsFiles.own_write`.
    path
        The file.
    """

    def __init__(
        self,
        request: Request,
        own_write: Callable[[Path, Write], Write] = lambda path, write: write,
        path: Path = LEARNED,
    ) -> None:
        self._request, self._own_write, self._path = request, own_write, path
        self._chosen = ""

    def keep_sound(
        self, programs: set[Program], settings: Settings, origins: Mapping[str, str]
    ) -> None:
        """Have the chosen sound kept, unless it is the one used at power-on.

        Parameters
        ----------
        programs
            The programs that the channels selected; none: nobody chose.
        settings, origins
            Those in force, and the file of every key that is not at its default.
        """
        if len(programs) != 1 or origins.get(KEY, str(self._path)) != str(self._path):
            return
        ((bank, program),) = programs
        names = settings.sound.banks.get(str(bank), settings.sound.programs)
        name = names[program] if program < len(names) else ""
        if name and name != (self._chosen or settings.sound.name):
            self._chosen = name
            self._request(NAME, self._compose)

    def lasts(self, key: str, origins: Mapping[str, str]) -> bool:
        """Return whether what is learned for a key will be in force after the next power-on."""
        return os.access(self._path.parent, os.W_OK) and origins.get(key) != str(BOOT)

    def overridden_by(self, key: str, origins: Mapping[str, str]) -> str:
        """Return the file that overrides what is learned for a key; empty: none does."""
        return str(BOOT) if origins.get(key) == str(BOOT) else ""

    def forget_bindings(self, owner: Path = OWNER) -> list[Binding]:
        """Have no bindings kept; return those of the owner's file, or the defaults."""

        def write() -> None:
            kept = self._read(self._path)
            kept.pop("bindings", None)
            kept.get("instead_of", {}).pop("bindings", None)
            self._put(kept)

        self._request(BINDINGS, lambda: self._own_write(self._path, write))
        owners = self._read(owner).get("bindings")
        plain = {} if owners is None else {"bindings": owners}
        with suppress(ValidationError):
            return Settings.model_validate(plain).bindings
        return Settings().bindings

    def told(self) -> list[str]:
        """Return what the file holds, in words."""
        kept = self._read(self._path)
        bindings = kept.get("bindings", [])
        sound = kept.get("sound", {})
        told = [f"control {each.get('control')}: {each.get('target')}" for each in bindings]
        return told + [f"the sound chosen last: '{sound.get('name')}'"] * bool(sound)

    def forget_all(self, playing: str) -> None:
        """Have the file taken away; the sound that plays now is not learned once more."""
        self._chosen = playing
        self._request(NAME, lambda: lambda: self._path.unlink(missing_ok=True))

    def keep_bindings(self, bindings: Sequence[Binding], owner: Path = OWNER) -> None:
        """Have bindings kept, until those in the owner's file change."""
        plain = [each.model_dump(exclude_none=True, exclude_defaults=True) for each in bindings]

        def write() -> None:
            kept, instead_of = self._read(self._path), self._read(owner).get("bindings")
            before = kept.get("instead_of")
            others = {k: v for k, v in before.items() if k != "bindings"} if before else {}
            kept["bindings"] = plain
            kept["instead_of"] = others | ({} if instead_of is None else {"bindings": instead_of})
            self._put(kept)

        self._request(BINDINGS, lambda: self._own_write(self._path, write))

    def _compose(self) -> Write:
        sound = {"name": self._chosen}
        return self._own_write(
            self._path, lambda: self._put({**self._read(self._path), "sound": sound})
        )

    def _read(self, path: Path) -> dict[str, Any]:
        try:
            return dict(parse_toml(read_text(path), str(path)))
        except ConfigError:
            return {}

    def _put(self, kept: Mapping[str, Any]) -> None:
        text = "# What was learned from the controller; partiald writes it.\n" + "".join(
            f"{key} = {inline(value)}\n" for key, value in kept.items()
        )
        write_atomic(self._path, text)
