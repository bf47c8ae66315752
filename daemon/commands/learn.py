"""The command ``partiald learn``: binds the next knob that is moved.

It only asks the running daemon, which does the rest and keeps the binding in a pause.
"""

import argparse
import sys
import time

from daemon.commands.ask import ask
from daemon.errors import RunError

_ASK_AGAIN_S = 0.1


def run(arguments: argparse.Namespace) -> int:
    """Wait until the daemon has seen a knob move; a `RunError` tells why it has not."""
    what = arguments.target + (f" {arguments.partial}" if arguments.partial else "")
    told = ask({"ask": "learn", "target": arguments.target, "partial": arguments.partial or 0})
    sys.stdout.write(
        f"Move the knob for {what} from end to end, within {told['patience_s']:.0f} s.\n"
    )
    sys.stdout.flush()
    while told["state"] == "waiting":
        time.sleep(_ASK_AGAIN_S)
        told = ask({"ask": "learned"})
    if told["state"] != "bound":
        raise RunError("no knob was moved far enough; 'partiald listen' shows what arrives")
    where = f" of '{told['controller']}'" if told["controller"] else ""
    sys.stdout.write(f"Control {told['control']}{where} changes {what} now{_lasting(told)}.\n")
    return 0


def _lasting(told: dict[str, object]) -> str:
    return ", and after the next power-on" if told["kept"] else ", until the daemon ends"
