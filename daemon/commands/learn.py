"""The command ``partiald learn``: binds the next knob that is moved, lists what knobs do, forgets.

It only asks the running daemon, which does the work and saves the bindings in a pause.
"""

import argparse
import sys
import time
from typing import Any

from config.targets import TARGETS, check_which
from daemon.control.ask import ask
from daemon.errors import RunError, UsageError

_ASK_AGAIN_S = 0.1


def run(arguments: argparse.Namespace) -> int:
    """Learn, list or forget; raise `RunError` if no knob was moved."""
    if arguments.list:
        return _list()
    target, number = _chosen(arguments)
    if arguments.forget:
        return _forget(target, number)
    if target is None:
        raise UsageError("learn what? For example 'partiald learn tilt'; --help lists every target")
    return _learn(target, number)


def _chosen(arguments: argparse.Namespace) -> tuple[str | None, int]:
    """Return which target is meant; None: all that was learned."""
    target, number = arguments.target, arguments.number or 0
    if target is None:
        return None, 0
    row = TARGETS[target]
    if not row.which and arguments.number is not None:
        raise UsageError(f"'partiald learn {target}' takes no number")
    if row.which and not 1 <= number <= row.many:
        raise UsageError(f"which {row.which}, 1 to {row.many}? As in 'partiald learn {target} 2'")
    check_which(target, {row.which: number} if row.which else {})
    return target, number


def _learn(target: str, number: int) -> int:
    what = _words(target, number)
    answer = ask({"ask": "learn", "target": target, "number": number})
    sys.stdout.write(
        f"Move the knob for {what} from end to end, within {answer['patience_s']:.0f} s.\n"
    )
    sys.stdout.flush()
    while answer["state"] == "waiting":
        time.sleep(_ASK_AGAIN_S)
        answer = ask({"ask": "learned"})
    if answer["state"] != "bound":
        raise RunError("no knob was moved far enough; 'partiald listen' shows what arrives")
    where = f" of '{answer['controller']}'" if answer["controller"] else ""
    sys.stdout.write(f"Control {answer['control']}{where} changes {what} now{how_long(answer)}.\n")
    return 0


def _list() -> int:
    answer = ask({"ask": "bindings"})
    rows = [("control", "changes", "from", "to", "")]
    for each in answer["bindings"]:
        ends = f"{each['low']:g}", f"{each['high']:g}"
        rows.append((str(each["control"]), each["target"], *ends, each["unit"]))
    widths = [max(len(row[place]) for row in rows) for place in range(5)]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        sys.stdout.write("  ".join(cells).rstrip() + "\n")
    if answer["overridden_by"]:
        sys.stdout.write(f"{answer['overridden_by']} has the last word; learn changes no file.\n")
    return 0


def _forget(target: str | None, number: int) -> int:
    answer = ask({"ask": "forget", "target": target, "number": number})
    for line in answer["forgotten"]:
        sys.stdout.write(f"Forgotten: {line}\n")
    if not answer["forgotten"]:
        what = "Nothing" if target is None else f"No knob for {_words(target, number)}"
        sys.stdout.write(f"{what} has been learned, so there is nothing to forget.\n")
    elif not answer["kept"]:
        sys.stdout.write(f"This holds{how_long(answer).removeprefix(',')}.\n")
    return 0


def _words(target: str, number: int) -> str:
    return f"{target} {number}" if number else target


def how_long(answer: dict[str, Any]) -> str:
    """Return for how long it holds, as the end of a sentence."""
    if answer["kept"]:
        return ", and after the next power-on"
    why = answer["overridden_by"]
    return ", until partiald is stopped" + (f": {why} overrides what is learned" if why else "")
