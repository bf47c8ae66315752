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
from daemon.fault_lines import tell_fault


class Parser(argparse.ArgumentParser):
    """The parser of the command line, or of one command."""

    def error(self, message: str) -> NoReturn:
        """Write the fault and where to find help, and exit with 2."""
        told = self._plainly(message)
        joint = "" if told.endswith("?") else ";"
        tell_fault(f"{told}{joint} '{self.prog} --help' shows how")
        self.exit(2)

    def _plainly(self, message: str) -> str:
        """Return what the library says of words that are missing or too many, in our own words."""
        if found := re.fullmatch(r"the following arguments are required: (.+)", message):
            names = [self._with_operand(name) for name in found[1].split(", ")]
            return f"{' and '.join(names)} {'is' if len(names) == 1 else 'are'} missing"
        if found := re.fullmatch(r"argument (\S+): expected .+ arguments?", message):
            operand = self._with_operand(found[1]).removeprefix(f"{found[1]} ")
            return f"{operand} is missing after '{found[1]}'"
        if found := re.fullmatch(r"argument (\S+): not allowed with argument (\S+)", message):
            return f"'{found[2]}' or '{found[1]}', not both"
        if found := re.fullmatch(r"argument (\S+): ignored explicit argument (.+)", message):
            return f"'{found[1]}' takes no value, and was given {found[2]}"
        return message.removeprefix("argument ")

    def _with_operand(self, option: str) -> str:
        """Return an option with what the help names after it, if anything."""
        found = re.search(rf"(?<!\S)\[?({re.escape(option)} [A-Z][\w.]*)", self.format_help())
        return found[1] if found and option.startswith("-") else option

    def refuse(self, words: Sequence[str]) -> NoReturn:
        """Report words that nothing takes."""
        word = printable(words[0])
        if not word.startswith("-"):
            self.error(f"'{word}' is one word too many")
        options = re.findall(r"--[a-z-]+", self.format_help())
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
