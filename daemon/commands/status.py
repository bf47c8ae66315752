"""The command ``partiald status``: what the running daemon hears and plays, and how well.

``--json`` writes one JSON object, whose keys docs/status.md lists; ``--follow`` writes the words
again every second, in place on a terminal.
"""

import argparse
import json
import sys

from daemon.control.ask import ask
from daemon.diagnosis.readable import readable_status
from daemon.drawing.refresh import follow


def run(arguments: argparse.Namespace) -> int:
    """Write the status; raise `RunError` if there is no daemon."""
    if arguments.follow:
        return follow(lambda: readable_status(ask({"ask": "status"})), sys.stdout)
    status = ask({"ask": "status"})
    if arguments.json:
        sys.stdout.write(json.dumps(status, indent=2, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write(readable_status(status))
    return 0
