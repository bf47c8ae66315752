"""Played sounds: which ones the keys of all controllers play.

Threads: the main loop's alone.
"""

from collections.abc import Callable, Sequence

from config.settings import Settings
from daemon.midi.channel_state import ChannelState

REMEDY = "to keep it, choose it again, then 'partiald sounds keep NAME' or a key that means keep"


def left_words(left: Sequence[str], heard: Sequence[str]) -> str:
    """Return what is to be told where knobs have shaped sounds, and others are played now."""
    names = [" and ".join(map(repr, each)) for each in (left, heard)]
    return f"{names[0]} as knobs shaped it is not kept, and they shape {names[1]} now; {REMEDY}"


class PlayedSounds:
    """The sounds that keys play, by what the settings and programs say.

    Parameters
    ----------
    settings
        Those in force.
    state
        The programs that were chosen.
    """

    def __init__(self, settings: Callable[[], Settings], state: ChannelState) -> None:
        self._settings, self._state = settings, state

    @property
    def agreed(self) -> bool:
        """Whether no two channels play different programs."""
        return len(self._state.programs()) < 2

    @property
    def current(self) -> str:
        """The sound that is played, as far as all channels agree on one."""
        settings, programs = self._settings(), self._state.programs()
        if len(programs) == 1:
            ((bank, program),) = programs
            names = settings.sound.banks.get(str(bank), settings.sound.programs)
            if program < len(names):
                return names[program]
        return settings.sound.name

    @property
    def names(self) -> list[str]:
        """That one, or the sounds of the zones."""
        zones, current = self._settings().zones, self.current
        return list(dict.fromkeys(zone.sound or current for zone in zones)) or [current]

    @property
    def base(self) -> str:
        """The one that is kept under another name."""
        names, current = self.names, self.current
        return current if current in names else names[0]
