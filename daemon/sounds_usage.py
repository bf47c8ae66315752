"""The usage of ``partiald sounds``: its words and options.

Promise: reading it imports no command.
"""

import argparse
from pathlib import Path
from typing import Any, Protocol

from daemon.usage_parser import Parser, whole_number


class Command(Protocol):
    """Adds a command to a parser."""

    def __call__(
        self, name: str, purpose: str, example: str, under: Any = ..., above: str = ...
    ) -> argparse.ArgumentParser:
        """Return the parser of the command."""


def add_sounds(command: Command) -> None:
    """Add the command and what it can be asked to do."""
    sounds = command(
        "sounds", "List the sounds; show, draw, hear or keep one, or make one from recordings.", ""
    )
    sounds.add_argument("--json", action="store_true", help="for a program to read")
    what = sounds.add_subparsers(
        dest="what",
        metavar="show|draw|hear|from|keep",
        parser_class=Parser,
        help="none of these: list all of them",
    )

    def of_sounds(
        name: str, purpose: str, example: str, nargs: str | None = None
    ) -> argparse.ArgumentParser:
        made = command(name, purpose, example, what, "sounds ")
        made.add_argument(
            "name", metavar="SOUND", nargs=nargs, help="as 'partiald sounds' lists it"
        )
        return made

    of_sounds("show", "Print a sound's partials and envelope.", "tower-bell")
    draw = of_sounds("draw", "Draw a sound's spectrum, envelope and waveform.", "--all", nargs="?")
    draw.add_argument("--all", action="store_true", help="all sounds on one sheet")
    draw.add_argument("-o", dest="output", type=Path, metavar="PNG", help="SOUND.png unless given")
    draw.add_argument("--force", action="store_true", help="replace an existing picture")
    hear = of_sounds("hear", "Play a phrase that suits a sound.", "tower-bell")
    hear.add_argument(
        "-o",
        dest="output",
        type=Path,
        metavar="WAV",
        help="write it to this file instead of playing it",
    )
    hear.add_argument("--force", action="store_true", help="replace an existing file")
    keep = command(
        "keep",
        "Keep the sound as it has been shaped, on the page or by knobs, under a name of your own.",
        "market-organ-soft",
        what,
        "sounds ",
    )
    keep.add_argument("name", metavar="NAME", help="small letters, digits and -")
    found = command(
        "from",
        "Make a sound out of recordings of single notes: one, or several keys and strengths.",
        "note.wav -o bottle.toml",
        what,
        "sounds ",
    )
    found.add_argument("notes", type=Path, nargs="+", metavar="NOTE.wav", help="one note each")
    found.add_argument(
        "--key", type=whole_number, metavar="N", help="the first one's key; found unless given"
    )
    found.add_argument(
        "-o", dest="output", type=Path, metavar="TOML", help="NOTE.toml unless given"
    )
    found.add_argument("--force", action="store_true", help="replace existing files")
