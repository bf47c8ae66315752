"""A keeper out of parts that a test has, with nothing real in the place of those it leaves out."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from daemon.diagnosis.event_log import EventLog
from daemon.keeper.indicators import Indicators
from daemon.keeper.keeper import Keeper, Parts
from daemon.keeper.mixer_watch import MixerWatch
from daemon.keeper.session_state import SessionState
from daemon.keeper.settings_watch import SettingsSource, SettingsWatch
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.linux.board_health import BoardHealth
from daemon.linux.led import StatusLed
from daemon.midi.controllers import Controllers
from daemon.midi.lights import Lights
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.kept_sounds import KeptSounds
from daemon.storage.report_file import Report

NOWHERE = Path("/nowhere")


def keeper_of(
    source: SettingsSource,
    controllers: Controllers,
    supervisor: PlayerSupervisor,
    notifier: Any,
    clock_us: Callable[[], int],
    **parts: Any,
) -> Keeper:
    """Return a keeper; ``parts`` are fields of `Parts`."""
    writes = parts.pop("writes", None) or DeferredWrites()
    state = controllers.channel_state
    lights = Lights(controllers.send, state.standing)
    usual = {
        "indicators": Indicators(supervisor.cue, StatusLed(NOWHERE), lights),
        "event_log": EventLog(clock_us),
        "session": SessionState(state, controllers, supervisor, writes.request, NOWHERE, boot=""),
        "kept": KeptSounds(NOWHERE),
        "learned": None,
        "report": Report(NOWHERE, writes),
        "health": BoardHealth(NOWHERE),
        "mixer_watch": MixerWatch(lambda number: []),
        "switch_off": lambda: None,
    }
    return Keeper(
        Parts(
            settings=SettingsWatch(source),
            controllers=controllers,
            supervisor=supervisor,
            notifier=notifier,
            writes=writes,
            clock_us=clock_us,
            **{**usual, **parts},
        )
    )
