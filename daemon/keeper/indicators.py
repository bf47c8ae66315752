"""What the box tells without a screen: its cues and its light.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.
"""

from collections.abc import Callable

from config.settings import Settings
from daemon.keeper.cues import Cues
from daemon.linux.led import State, StatusLed

_FAREWELL_US = 6_000_000


class Indicators:
    """Cues and light, from what the keeper knows.

    Parameters
    ----------
    play
        Takes a cue's name and its level in dB below full scale.
    lamp
        The board's.
    """

    def __init__(self, play: Callable[[str, float], None], lamp: StatusLed | None = None) -> None:
        self._cues = Cues(play)
        self._lamp = lamp or StatusLed()
        self._ready = False
        self._farewell_us: int | None = None
        self._said = False

    def use(self, settings: Settings) -> None:
        """Take what the settings say of cues and light."""
        self._cues.settings, self._cues.volume_db = settings.cues, settings.level.volume_db
        self._lamp.use(settings.cues.lamp)

    def tell(self, name: str, now_us: int) -> None:
        """Have a cue played in the next silence; see `daemon.keeper.cues.PATTERNS`."""
        if name != "found" or self._ready:  # the first controller's cue is "ready"
            self._cues.ask(name, now_us)

    def tick(self, playing: bool, sounding: int, controllers: int, now_us: int) -> None:
        """Show the state of now.

        Parameters
        ----------
        playing
            Whether there is a player with a card.
        sounding
            Notes that sound.
        controllers
            How many are there.
        """
        if playing and controllers and not self._ready:
            self._cues.ask("ready", now_us)
        self._ready = playing and (self._ready or controllers > 0)
        self._cues.tick(playing and not sounding, now_us)
        state: State = "playing" if controllers else "no controller"
        if self._farewell_us is not None:
            state = "farewell"
        self._lamp.show(state if playing else "no card", now_us)

    def say_farewell(self, now_us: int) -> None:
        """Begin the farewell; the notes have been let go of."""
        self._farewell_us = now_us
        self._cues.ask("farewell", now_us)

    def said_farewell(self, now_us: int) -> bool:
        """Return True once, when the farewell has been heard or could not be."""
        over = self._farewell_us is not None and now_us - self._farewell_us >= _FAREWELL_US
        self._said, before = over, self._said
        return over and not before

    def close(self) -> None:
        """Give the light back."""
        self._lamp.release()
