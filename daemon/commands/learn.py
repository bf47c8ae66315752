"""The command ``partiald learn``: binds the next knob that is moved.

It only asks the running daemon, which does the work and saves the binding in a pause.
"""

import argparse
import sys
import time

from config.rank import MAX_PARTIALS
from daemon.control.ask import ask
from daemon.errors import RunError, UsageError

_ASK_AGAIN_S = 0.1


def run(arguments: argparse.Namespace) -> int:
    """Wait until the daemon has seen a knob move; raise `RunError` if it has not."""
    if arguments.target != "partial" and arguments.partial is not None:
        raise UsageError("only 'partiald learn partial' takes a number")
    if arguments.target == "partial" and not 1 <= (arguments.partial or 0) <= MAX_PARTIALS:
        raise UsageError(f"which partial, 1 to {MAX_PARTIALS}? As in 'partiald learn partial 3'")
    what = arguments.target + (f" {arguments.partial}" if arguments.partial else "")
    answer = ask({"ask": "learn", "target": arguments.target, "number": arguments.partial or 0})
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
    sys.stdout.write(f"Control {answer['control']}{where} changes {what} now{_how_long(answer)}.\n")
    return 0


def _how_long(answer: dict[str, object]) -> str:
    return ", and after the next power-on" if answer["kept"] else ", until the daemon ends"
