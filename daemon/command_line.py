"""The command line: which commands there are, and which module runs each.

Promise: reading the command line imports no command, so that a broken library stops only the
commands that need it. Every command module has ``run(arguments) -> int``, the exit code.
"""

import argparse
import sys
from collections.abc import Callable, Sequence
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any, NoReturn

from config.targets import TARGETS
from daemon.sounds_usage import add_sounds
from daemon.usage_parser import Parser, subparsers, whole_number

WELCOME = """\
partiald plays a MIDI controller through the sound card, with no screen needed.

First, without any hardware:
  partiald rehearse        hear, see and count a whole performance
  partiald render SONG.mid -o OUT.wav    a MIDI file into a WAV file

Then, on the board, with the controller and the sound card plugged in:
  partiald devices         what is seen, what would play, and why
  partiald listen          what the controller sends
  partiald testtone        a tone that starts inaudible and grows
  partiald run             the instrument itself; Ctrl-C ends it
  partiald status          what the running instrument is doing
  partiald why             what did not sound as played, and what would help
  partiald play SONG.mid   a MIDI file through the running instrument
  partiald panic           every note ends at once

What can be changed:
  partiald learn TARGET    the next knob moved changes this
  partiald shape [NAME]    a page of sliders, heard while they move
  partiald forget          take back what was learned and kept
  partiald check [FILE]    the settings in force, and where each comes from
  partiald sounds          the sounds: list, show, draw, hear, from NOTE.wav
  partiald chart           what it understands of MIDI

--settings FILE before the command uses that file instead of all others.
'partiald COMMAND --help' says more. Start low, with headphones off your ears.
"""
_TARGETS = tuple(TARGETS)
_BEFORE_THE_COMMAND = ("--settings", "--version", "--help", "-h")


class _Welcoming(Parser):
    """The parser of the whole command line; its help is the welcome."""

    def format_help(self) -> str:
        """Return the welcome."""
        return WELCOME


class _Version(argparse.Action):
    """Prints the version and exits; looked up only when asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        sys.stdout.write(f"partiald {_version()}\n")
        parser.exit()


def parse(words: Sequence[str]) -> argparse.Namespace:
    """Return what was read: ``command``, ``settings`` and the command's own arguments.

    Raises
    ------
    SystemExit
        With 2 on wrong usage, after one line on stderr; with 0 after help or version.
    """
    parser = build()
    commands = subparsers(parser)
    first = next(iter(words), "")
    if first.startswith("-") and first.partition("=")[0] not in _BEFORE_THE_COMMAND:
        # Or else what follows it would be taken for the command.
        named = next((word for word in words if word in commands), "")
        commands.get(named, parser).refuse(words)
    arguments, left = parser.parse_known_args(words)
    if left:
        command = commands.get(arguments.command, parser)
        subparsers(command).get(getattr(arguments, "what", None) or "", command).refuse(left)
    return arguments


def build() -> Parser:
    """Return the parser of the whole command line."""
    parser = _Welcoming(prog="partiald", allow_abbrev=False)
    parser.add_argument(
        "--settings",
        type=Path,
        metavar="FILE",
        default=None,
        help="use this file instead of all other settings",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)

    def command(
        name: str, purpose: str, example: str, under: Any = commands, above: str = ""
    ) -> argparse.ArgumentParser:
        made: argparse.ArgumentParser = under.add_parser(
            name,
            description=purpose,
            help=purpose,
            epilog=f"Example: partiald {above}{name} {example}".rstrip(),
            allow_abbrev=False,
        )
        made.add_argument(
            "--settings",
            type=Path,
            metavar="FILE",
            default=argparse.SUPPRESS,  # else it would override the one before the command
            help="use this file instead of all other settings",
        )
        return made

    run = command("run", "Play until stopped.", "--verbose")
    run.add_argument("--verbose", action="store_true", help="log more than changes of state")

    rehearse = command(
        "rehearse",
        "Play the whole instrument without hardware: a simulated controller is plugged in, "
        "played, pulled out and plugged in again. Leaves a WAV file, a picture and a MIDI file.",
        "--aloud",
    )
    rehearse.add_argument(
        "--into",
        type=Path,
        metavar="FOLDER",
        default=Path("rehearsal"),
        help="where the files go; ./rehearsal unless given",
    )
    rehearse.add_argument(
        "--aloud", action="store_true", help="also play it through the sound card"
    )

    render = command(
        "render",
        "Turn a Standard MIDI File into a stereo 24-bit WAV file.",
        "waltz.mid -o waltz.wav --sound reed-organ",
    )
    render.add_argument("song", type=Path, metavar="SONG.mid", help="the file to play")
    render.add_argument(
        "-o", dest="output", type=Path, metavar="OUT.wav", required=True, help="the file to write"
    )
    render.add_argument("--force", action="store_true", help="replace an existing OUT.wav")
    render.add_argument("--sound", metavar="SOUND", help="play with this sound")

    command("devices", "Show every controller and sound card, what would be chosen, and why.", "")

    listen = command(
        "listen",
        "Show what the controllers send, one message a line.",
        "--controller 'Cargo Bike Keys 25'",
    )
    listen.add_argument(
        "--plain", action="store_true", help="one message a line, as it is written into a pipe"
    )
    listen.add_argument(
        "--controller", metavar="CONTROLLER", help="only this one; part of its name is enough"
    )

    testtone = command(
        "testtone",
        "Play a tone that starts inaudible, grows and then stops.",
        "--device headphones",
    )
    testtone.add_argument(
        "--device", metavar="CARD", help="this sound card; part of its name is enough"
    )

    status = command("status", "Ask the running instrument what it is doing.", "--follow")
    how = status.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="for a program to read")
    how.add_argument(
        "--follow", action="store_true", help="refresh it every second; Ctrl-C ends it"
    )

    why = command(
        "why",
        "Say which notes did not sound as played, what happened, and what would have helped.",
        "--boot -1",
    )
    why.add_argument(
        "--boot", type=whole_number, metavar="N", default=0, help="-1: before the last power-off"
    )
    why.add_argument(
        "--last",
        type=whole_number,
        metavar="N",
        default=20,
        help="how many lines to show; 20 unless given",
    )

    play = command(
        "play",
        "Play a Standard MIDI File through the running instrument, alongside its controllers.",
        "song.mid",
    )
    play.add_argument("song", type=Path, metavar="SONG.mid", help="the file to play")

    shape = command("shape", "Shape a sound on a page of sliders while it plays.", "market-organ")
    shape.add_argument("name", metavar="SOUND", nargs="?", help="the one that plays unless given")
    shape.add_argument("--plain", action="store_true", help="line by line, without a screen")
    shape.add_argument("--aloud", action="store_true", help="play it here, without the daemon")

    forget = command(
        "forget", "Take back what was learned and kept; your own files stay.", "--dry-run"
    )
    forget.add_argument("--dry-run", action="store_true", help="only list what that would be")

    command(
        "panic", "End every note of the running instrument at once, and any song it is playing.", ""
    )

    command(
        "chart", "Print the MIDI implementation chart: what is understood, and what is not.", ""
    )

    learn = command(
        "learn", "Bind the next knob you move; list or forget what knobs do.", "partial 3"
    )
    learn.add_argument(
        *("target",),
        nargs="?",
        choices=_TARGETS,
        metavar="TARGET",
        help=f"one of {', '.join(_TARGETS)}",
    )
    which = ", ".join(row.which for row in TARGETS.values() if row.which)
    learn.add_argument(
        "number", nargs="?", type=whole_number, metavar="N", help=f"which {which}, from 1"
    )
    instead = learn.add_mutually_exclusive_group()
    instead.add_argument("--list", action="store_true", help="show which knob changes what")
    instead.add_argument(
        "--forget",
        action="store_true",
        help="free the knob of TARGET; without TARGET, all that were learned",
    )

    check = command(
        "check", "Show the settings in force, and where each comes from.", "partiald.toml"
    )
    check.add_argument("file", nargs="?", type=Path, metavar="FILE", help="check only this file")

    add_sounds(command)
    return parser


def chosen(words: Sequence[str]) -> Callable[[], int]:
    """Return the command as a function that returns the exit code."""
    arguments = parse(words)
    if arguments.command is None:
        return _welcome
    module = import_module(f"daemon.commands.{arguments.command}")
    return partial(module.run, arguments)


def _welcome() -> int:
    sys.stdout.write(WELCOME)
    return 0


def _version() -> str:
    from importlib import metadata  # slow, and not needed at a start

    try:
        return metadata.version("partiald")
    except metadata.PackageNotFoundError:
        return "(not installed)"
