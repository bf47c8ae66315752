"""The commands, options and operands that the command line takes, as plain values."""

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from daemon import command_line
from daemon.usage_parser import Parser, subparsers

Kind = Literal["none", "choice", "sound", "controller", "card", "file", "folder", "other"]
_KINDS: dict[str, Kind] = {
    "SOUND": "sound",
    "CONTROLLER": "controller",
    "CARD": "card",
    "FOLDER": "folder",
}
_WIDE = 10_000


@dataclass(frozen=True)
class Word:
    """An option, or an operand."""

    flags: tuple[str, ...]
    """Empty: an operand."""
    value: str
    """What stands for its value; empty: it takes none."""
    kind: Kind
    """What its value names."""
    choices: tuple[str, ...]
    about: str
    many: bool
    """Whether there may be several in a row."""

    @property
    def suffix(self) -> str:
        """What the name of a file that it takes ends with; empty: anything."""
        return Path(self.value).suffix


@dataclass(frozen=True)
class Command:
    """A command, or the whole command line."""

    words: tuple[str, ...]
    """What it is called by; empty: the whole."""
    purpose: str
    example: str
    usage: str
    """Its own options and operands in one line, behind its name."""
    options: tuple[Word, ...]
    operands: tuple[Word, ...]
    commands: tuple["Command", ...]

    @property
    def all(self) -> list["Command"]:
        """The command and all below it."""
        return [self, *(each for command in self.commands for each in command.all)]


def tree() -> Command:
    """Return the whole command line."""
    return _command(command_line.build(), ())


def _command(parser: Parser, words: tuple[str, ...]) -> Command:
    actions = [
        action
        for action in parser._actions
        if not isinstance(action, argparse._SubParsersAction | argparse._HelpAction)
    ]
    return Command(
        words,
        parser.description or "",
        (parser.epilog or "").removeprefix("Example: "),
        _usage(parser, [action for action in actions if action.dest != "settings"]),
        tuple(_word(action) for action in actions if action.option_strings),
        tuple(_word(action) for action in actions if not action.option_strings),
        tuple(_command(each, (*words, name)) for name, each in subparsers(parser).items()),
    )


def _usage(parser: Parser, actions: list[argparse.Action]) -> str:
    formatter = argparse.HelpFormatter("", width=_WIDE)
    formatter.add_usage(None, actions, parser._mutually_exclusive_groups, prefix="")
    return formatter.format_help().strip()


def _word(action: argparse.Action) -> Word:
    value = "" if action.nargs == 0 else str(action.metavar)
    kind: Kind = "other" if value else "none"
    if action.choices is not None:
        kind = "choice"
    elif action.type is Path:
        kind = "file"
    return Word(
        tuple(action.option_strings),
        value,
        _KINDS.get(value, kind),
        tuple(action.choices or ()),
        action.help or "",
        action.nargs in ("+", "*"),
    )
