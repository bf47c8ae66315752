"""The command ``partiald forget``: what was learned and kept is taken back.

Promise: with ``--dry-run`` nothing changes; what an owner's own files say is never touched.
"""

import argparse
import sys

from config.toml.wording import counted
from daemon.control.ask import ask
from daemon.errors import RunError


def run(arguments: argparse.Namespace) -> int:
    """Ask the daemon for it, and write what it was, or would be."""
    answer = ask({"ask": "forget_all", "dry_run": arguments.dry_run})
    if "faults" in answer:
        raise RunError("\n".join(answer["faults"]))
    told = answer["forgotten"]
    if not told:
        sys.stdout.write("Nothing was learned or kept: all is as your files say.\n")
        return 0
    done = "Forgotten" if answer["done"] else "Would be forgotten"
    sys.stdout.write(f"{done}, {counted(len(told), 'thing')}:\n")
    for line in told:
        sys.stdout.write(f"  {line}\n")
    if not answer["done"]:
        sys.stdout.write("'partiald forget' without --dry-run does it.\n")
    return 0
