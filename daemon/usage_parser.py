"""A parser of the command line that reports wrong usage in one line.

Promise: wrong usage ends with exit code 2, after one line on stderr: what is wrong, what was
probably meant, and where help is.
"""

import argparse
import re
from collections.abc import Sequence
from typing import NoReturn

from config.toml.faults import suggestion
from config.toml.printable import printable


class Parser(argparse.ArgumentParser):
    """The parser of the command line, or of one command."""

    def error(self, message: str) -> NoReturn:
        """Write the fault and where to find help, and exit with 2."""
        joint = "" if message.endswith("?") else ";"
        self.exit(2, f"partiald: {message}{joint} '{self.prog} --help' shows how\n")

    def refuse(self, words: Sequence[str]) -> NoReturn:
        """Report words that nothing takes."""
        word = printable(words[0])
        if not word.startswith("-"):
            self.error(f"'{word}' is one word too many")
        options = re.findall(r"--[a-z]+", self.format_help())
        if word in options:
            self.error(f"'{word}' belongs after the command")
        self.error(f"no option '{word}'{suggestion(word, options)}")

    def _check_value(self, action: argparse.Action, value: str) -> None:
        """Refuse an unknown name: argparse words it differently in each Python."""
        if action.choices is not None and value not in action.choices:
            kind = "target" if action.dest == "target" else "command"
            remedy = suggestion(value, action.choices) or f"; there are {', '.join(action.choices)}"
            self.error(f"no {kind} '{printable(value)}'{remedy}")


def subparsers(parser: argparse.ArgumentParser) -> dict[str, Parser]:
    """Return the parsers of a parser's commands, by name; none if it has none."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def whole_number(word: str) -> int:
    """Return a word as a whole number."""
    try:
        return int(word)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{printable(word)}' is not a whole number") from None
