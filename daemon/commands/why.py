"""The command ``partiald why``: what did not sound as played, when, and what would have helped.

A line for each, the latest last: boot and time since the instrument was ready; the time of day
only when the board's clock is known to have been right. Without a daemon it reads what was kept.
"""

import argparse
import sys
import time
from typing import Any

from daemon.errors import RunError
from daemon.keeper.control_socket import NOBODY, ask
from daemon.linux.boot import boot_id
from daemon.storage import event_file

_MOST = 1000


def run(arguments: argparse.Namespace) -> int:
    """Write the lines; a `RunError` tells when there is nobody to ask and nothing kept."""
    last = min(max(arguments.last, 1), _MOST)
    boot = max(arguments.boot, -9_999)
    try:
        told = ask({"ask": "why", "boot": boot, "last": last})
    except RunError as fault:
        if str(fault) != NOBODY:
            raise
        told = _kept(boot, last)
    sys.stdout.write(readable(told))
    return 0


def readable(told: dict[str, Any]) -> str:
    """Return what was told as lines."""
    which = f"boot {told['boot']}: " if told["boot"] > 0 else ""
    lines = [f"{which}{told['earlier']} earlier ones; --last tells more"] * bool(told["earlier"])
    lines += [_line(told["boot"], entry) for entry in told["entries"]]
    lines += [] if lines else [f"{which}nothing is known that did not sound as played"]
    if told["count"]:
        lines.append(f"{which}{told['count']}")
    return "".join(f"{line}\n" for line in lines)


def _line(boot: int, entry: dict[str, Any]) -> str:
    since_s, clock_s = entry["since_ready_s"], entry["clock_s"]
    words = [f"boot {boot}"] if boot > 0 else []
    words.append("before ready" if since_s is None or since_s < 0 else _since(since_s))
    if clock_s is not None:
        words.append(time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(clock_s)))
    return f"{', '.join(words)}: {entry['text']}"


def _since(seconds: float) -> str:
    minutes, rest = divmod(round(seconds, 1), 60)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours}:{minutes:02}:{rest:04.1f}"


def _kept(boot: int, last: int) -> dict[str, Any]:
    """Return what the file tells while no daemon runs; below 1, boots count back from now."""
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
    return event_file.readable_fields(number, entries, story.count, story.ahead_us, last)
