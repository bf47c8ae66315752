"""The command ``partiald panic``: every note of the running instrument ends at once.

Promise: keys, pedals and songs hold nothing any more; knobs, sound and tuning stay as they are, and
the next key struck plays. The room rings out.
"""

import argparse
import sys

from daemon.control.ask import ask


def run(arguments: argparse.Namespace) -> int:
    """Ask for it; raise `RunError` if there is no daemon."""
    ask({"ask": "panic"})
    sys.stdout.write("Every note was ended.\n")
    return 0
