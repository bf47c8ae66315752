"""What the controllers chose and is kept over a power-off: the sound, and what knobs do.

Threads: the main loop's alone.

The sound only where no file of the owner's says which there is at power-on, and where all channels
agree on one. What else the learned file holds stays in it.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from config.faults import ConfigError, parse_toml
from config.files import read_text, write_atomic
from config.layers import LEARNED, OWNER
from config.settings import Binding, Settings

WORDS = "the sound chosen last"
KEY = "sound.name"

Program = tuple[int, int]
"""Bank and program, counted from 0."""


class Learned:
    """Writes the learned file.

    Parameters
    ----------
    ask
        Has something written in the next pause, as
        `daemon.storage.deferred_writes.DeferredWrites.ask` does.
    write_quietly
        Calls what writes the file, and takes that for no edit.
    place
        The file.
    """

    def __init__(
        self,
        ask: Callable[[str, Callable[[], None]], None],
        write_quietly: Callable[[Path, Callable[[], None]], None] = lambda path, write: write(),
        place: Path = LEARNED,
    ) -> None:
        self._ask, self._write_quietly, self._place = ask, write_quietly, place
        self._told = ""

    def look(self, programs: set[Program], settings: Settings, origins: Mapping[str, str]) -> None:
        """Have the sound kept that was chosen, if it is another than at power-on.

        Parameters
        ----------
        programs
            What the channels were told; nothing: nobody chose.
        settings, origins
            In force, and the file of every key that is not at its default.
        """
        if len(programs) != 1 or origins.get(KEY, str(self._place)) != str(self._place):
            return
        ((bank, program),) = programs
        names = settings.sound.banks.get(str(bank), settings.sound.programs)
        name = names[program] if program < len(names) else ""
        if name and name != (self._told or settings.sound.name):
            self._told = name
            self._ask(WORDS, self._write)

    def keep(self, bindings: Sequence[Binding], owner: Path = OWNER) -> None:
        """Have bindings kept, until the owner's file says other ones than now."""
        plain = [each.model_dump(exclude_none=True, exclude_defaults=True) for each in bindings]

        def write() -> None:
            kept, instead_of = self._read(self._place), self._read(owner).get("bindings")
            before = kept.get("instead_of")
            others = {k: v for k, v in before.items() if k != "bindings"} if before else {}
            kept["bindings"] = plain
            kept["instead_of"] = others | ({} if instead_of is None else {"bindings": instead_of})
            self._put(kept)

        self._ask("the bindings learned", write)

    def _write(self) -> None:
        self._put({**self._read(self._place), "sound": {"name": self._told}})

    def _read(self, path: Path) -> dict[str, Any]:
        try:
            return dict(parse_toml(read_text(path), str(path)))
        except ConfigError:
            return {}

    def _put(self, kept: Mapping[str, Any]) -> None:
        text = "# What was learned from the controller; partiald writes it.\n" + "".join(
            f"{key} = {_inline(value)}\n" for key, value in kept.items()
        )
        self._write_quietly(self._place, lambda: write_atomic(self._place, text))


def _inline(value: object) -> str:
    """Return a value as TOML has it, in one line."""
    if isinstance(value, dict):
        pairs = ", ".join(f"{json.dumps(key)} = {_inline(each)}" for key, each in value.items())
        return f"{{ {pairs} }}"
    if isinstance(value, list):
        return f"[{', '.join(_inline(each) for each in value)}]"
    return json.dumps(value, ensure_ascii=False)
