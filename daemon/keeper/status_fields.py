"""The daemon's state in figures: what the control socket answers to a question for the status.

docs/status.md says what each key means; they keep their meaning from version to version.
"""

import os
from typing import Any

from daemon.ipc.counters import Snapshot
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.midi.controllers import Controllers
from daemon.storage.settings_files import LoadedSettings

FORMAT = 1
"""Counts up when a key goes or changes its meaning."""


def figures(
    lives: PlayerSupervisor,
    listener: Controllers,
    loaded: LoadedSettings,
    *,
    closed: list[str],
    health: dict[str, Any],
    boot: int,
    running_s: float,
) -> dict[str, Any]:
    """Return the state as plain values."""
    seen = lives.snapshot() or Snapshot()
    accounts = dict(lives.tally.accounts(seen))
    totals = lives.tally.totals.plus(seen)
    there = listener.controllers
    settings = loaded.settings
    return {
        "format": FORMAT,
        "process": os.getpid(),
        "boot": boot,
        "running_s": round(running_s, 1),
        "state": "playing" if lives.output else "silent",
        "reason": lives.reason,
        "controllers": [{"number": n + 1, "name": there[n]} for n in sorted(there)],
        "wanted_controller": settings.controller.name,
        "output": lives.output and _shown(lives.output, closed),
        "sound": settings.sound.name,
        "polyphony": settings.polyphony,
        "voices": {"now": seen.sounding, "peak": totals.sounding_peak},
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
        "underflows": totals.underflows,
        "late_messages": totals.late,
        "silenced_blocks": totals.faults,
        "messages": listener.messages,
        "notes": {"received": sum(accounts.values()), "accounts": accounts},
        "health": health,
        "settings": {"files": loaded.files, "faults": loaded.faults},
    }


def _shown(output: dict[str, Any], closed: list[str]) -> dict[str, Any]:
    card = {key: output["card"].get(key) for key in ("name", "kind", "rate", "channels")}
    shown = {key: output[key] for key in ("sample_rate", "delay_ms")}
    return {"card": card, "closed": closed, **shown}
