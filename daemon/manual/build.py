"""What is made from the code for an installed system, by ``python -m daemon.manual.build``.

It takes a folder, in which the files lie as on the system, and the date that the manual pages bear.

Promise: the same code and the same date make the same files.
"""

import json
import sys
from importlib import metadata
from pathlib import Path

from daemon.manual.bash import bash
from daemon.manual.command_page import command_page
from daemon.manual.command_tree import tree
from daemon.manual.fish import fish
from daemon.manual.name_sources import on_the_system
from daemon.manual.schema import settings_schema, sound_schema
from daemon.manual.settings_page import settings_page
from daemon.manual.sound_page import sound_page
from daemon.manual.zsh import zsh


def made(date: str, version: str) -> dict[str, str]:
    """Return every file by its path on the system."""
    commands, sources = tree(), on_the_system()
    return {
        "usr/share/bash-completion/completions/partiald": bash(commands, sources),
        "usr/share/fish/vendor_completions.d/partiald.fish": fish(commands, sources),
        "usr/share/zsh/vendor-completions/_partiald": zsh(commands, sources),
        "usr/share/man/man1/partiald.1": command_page(date, version),
        "usr/share/man/man5/partiald.toml.5": settings_page(date, version),
        "usr/share/man/man5/partiald-sound.5": sound_page(date, version),
        "usr/share/partiald/settings.schema.json": _json(settings_schema()),
        "usr/share/partiald/sound.schema.json": _json(sound_schema()),
    }


def main(folder: str, date: str, version: str) -> None:
    """Write them all."""
    for name, text in made(date, version).items():
        path = Path(folder, name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")


def _json(schema: object) -> str:
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], metadata.version("partiald"))
