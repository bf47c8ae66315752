"""The command ``partiald why``: what did not sound as played, when, and what would have helped.

A line for each, the latest last: boot and time since the instrument was ready; the time of day
only if the board's clock is known to have been set; then the battery's charge over the hours, if
there is one. Without a daemon it reads what was saved.
"""

import argparse
import sys
from typing import Any

from daemon.control.ask import NOBODY, ask
from daemon.diagnosis.readable import readable_losses
from daemon.errors import RunError, UsageError
from daemon.linux.boot import boot_id
from daemon.storage import event_file

_MOST = 1000


def run(arguments: argparse.Namespace) -> int:
    """Write the lines; raise `RunError` if there is nobody to ask and nothing saved."""
    if arguments.last < 1:
        raise UsageError(f"--last {arguments.last}: must be 1 or more")
    last = min(arguments.last, _MOST)
    boot = max(arguments.boot, -9_999)
    try:
        losses = ask({"ask": "why", "boot": boot, "last": last})
    except RunError as fault:
        if str(fault) != NOBODY:
            raise
        losses = _saved(boot, last)
    sys.stdout.write(readable_losses(losses))
    return 0


def _saved(boot: int, last: int) -> dict[str, Any]:
    """Return what the file says while no daemon runs; below 1, boots count back from now."""
    path = event_file.event_file_path()
    try:
        records = event_file.read(path)
    except OSError as error:
        raise RunError(f"{path}: can't be read: {error.strerror}; try as root") from error
    if not records:
        raise RunError(NOBODY)
    starts = [record for record in records if record.kind == event_file.BOOT]
    newest = max(record.boot for record in records)
    running = bool(starts) and starts[-1].text == boot_id()
    number = boot if boot > 0 else (newest if running else newest + 1) + boot
    story = event_file.boot_events(records, number)
    entries = [(each.at_us, each.ready_us, each.text) for each in story.entries]
    return event_file.readable_fields(
        number, entries, story.count, story.ahead_us, last, story.battery
    )
