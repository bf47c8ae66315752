"""The daemon's state: what the control socket answers to a question for the status.

docs/status.md says what each key means; they keep their meaning from version to version.
"""

import os
from typing import Any

from daemon.ipc.counters import Snapshot
from daemon.ipc.messages import Ready
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.midi.controllers import Controllers
from daemon.storage.settings_files import LoadedSettings

FORMAT = 1
"""Counts up when a key goes or changes its meaning."""


def figures(
    supervisor: PlayerSupervisor,
    controllers: Controllers,
    loaded: LoadedSettings,
    *,
    closed: list[str],
    health: dict[str, Any],
    boot: int,
    running_s: float,
) -> dict[str, Any]:
    """Return the state as plain values."""
    seen = supervisor.snapshot() or Snapshot()
    accounts = dict(supervisor.totals.accounts(seen))
    counts = supervisor.totals.counts.plus(seen)
    there = controllers.controllers
    settings = loaded.settings
    return {
        "format": FORMAT,
        "process": os.getpid(),
        "boot": boot,
        "running_s": round(running_s, 1),
        "state": "playing" if supervisor.playing else "silent",
        "reason": supervisor.reason,
        "controllers": [{"number": n + 1, "name": there[n]} for n in sorted(there)],
        "wanted_controller": settings.controller.name,
        "output": supervisor.output and _output(supervisor.output, closed),
        "sound": settings.sound.name,
        "polyphony": settings.polyphony,
        "voices": {"now": seen.sounding, "peak": counts.sounding_peak},
        "partials": seen.partials,
        "most_partials": seen.most_partials,
        "block": {
            "frames": seen.block_frames,
            "deadline_us": seen.deadline_us,
            "p50_us": seen.p50_us,
            "p99_us": seen.p99_us,
            "max_us": seen.max_us,
        },
        "blocks": seen.blocks,
        "underflows": counts.underflows,
        "late_messages": counts.late,
        "silenced_blocks": counts.faults,
        "messages": controllers.messages,
        "notes": {"received": sum(accounts.values()), "accounts": accounts},
        "health": health,
        "settings": {"files": loaded.files, "faults": list(loaded.faults)},
    }


def names(controllers: Controllers) -> str:
    """Return the names of the controllers that are there."""
    return ", ".join(f"'{name}'" for name in controllers.controllers.values())


def sentence(supervisor: PlayerSupervisor, controllers: Controllers) -> str:
    """Return the state in one line."""
    heard = names(controllers) or "no controller yet"
    output = supervisor.output
    if output is None:
        return f"silent: {supervisor.reason}; hearing {heard}"
    return f"playing {heard} on '{output.card['name']}'"


def _output(output: Ready, closed: list[str]) -> dict[str, Any]:
    card = {key: output.card.get(key) for key in ("name", "kind", "rate", "channels")}
    opened = {"sample_rate": output.sample_rate, "delay_ms": output.delay_ms}
    return {"card": card, "closed": closed, **opened}
