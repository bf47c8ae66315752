"""What the box shows without a screen: quiet tones while nobody plays, and its light.

Units: dB below full scale; microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

A cue never sounds over music: it waits until nothing sounds, and is dropped when that takes long.
The one that answers a gesture sounds at once.
"""

from collections.abc import Callable, Collection

from config.settings import CueSettings, Settings
from daemon.ipc.counters import Snapshot
from daemon.ipc.messages import CUE_PATTERNS, Gesture
from daemon.linux.led import State, StatusLed
from daemon.midi.lights import Lights

_SETTINGS = {
    "ready": "ready",
    "found": "controller",
    "lost": "controller",
    "refused": "settings",
    "unwell": "board",
    "gesture": "gesture",
    "forgotten": "gesture",
}
_QUIET_US = 500_000
_STALE_US = 30_000_000


class Cues:
    """The cues that wait for a silence.

    Parameters
    ----------
    play
        Takes a cue's name and its level.
    """

    def __init__(self, play: Callable[[str, float], None]) -> None:
        self.settings = CueSettings()
        """Which are wanted, and how loud; may change at any time."""
        self.volume_db = 0.0
        """The instrument's: a quieter one has quieter cues."""
        self._play = play
        self._waiting: dict[str, int] = {}
        self._silent_since_us: int | None = None

    def ask(self, name: str, now_us: int) -> None:
        """Have a cue played in the next silence, unless the settings leave it out."""
        wanted = _SETTINGS.get(name)
        if wanted is None or getattr(self.settings, wanted):
            self._waiting.setdefault(name, now_us)

    def answer(self, name: str) -> None:
        """Play a cue at once, notes or not, for somebody who waits for it."""
        if getattr(self.settings, _SETTINGS[name]):
            self._play(name, self.settings.tone_db + min(self.volume_db, 0.0))

    def tick(self, silent: bool, now_us: int) -> None:
        """Play the oldest cue once it has been silent for a moment.

        Parameters
        ----------
        silent
            Whether a player is there and nothing of it sounds.
        """
        waiting = self._waiting
        for name in [each for each, us in waiting.items() if now_us - us > _STALE_US]:
            del waiting[name]
        if not silent:
            self._silent_since_us = None
        elif self._silent_since_us is None:
            self._silent_since_us = now_us
        elif waiting and now_us - self._silent_since_us >= _QUIET_US:
            name = next(iter(waiting))
            del waiting[name]
            self._play(name, self.settings.tone_db + min(self.volume_db, 0.0))
            # The next one keeps its distance.
            seconds = sum(duration for _, duration in CUE_PATTERNS[name])
            self._silent_since_us = now_us + round(seconds * 1e6)


class Indicators:
    """Cues and light, from what the keeper knows.

    Parameters
    ----------
    play
        Takes a cue's name and its level.
    led
        The board's.
    lights
        Those of the controllers.
    """

    def __init__(self, play: Callable[[str, float], None], led: StatusLed, lights: Lights) -> None:
        self._cues = Cues(play)
        self._led, self._lights = led, lights
        self._ready = False

    def use(self, settings: Settings) -> None:
        """Take what the settings say of cues and light."""
        self._cues.settings, self._cues.volume_db = settings.cues, settings.level.volume_db
        self._led.use(settings.cues.lamp)
        self._lights.use(settings.lights)

    def cue(self, name: str, now_us: int) -> None:
        """Have a cue played in the next silence; see `daemon.ipc.messages.CUE_PATTERNS`."""
        if name != "found" or self._ready:  # the first controller's cue is "ready"
            self._cues.ask(name, now_us)

    def gesture(self, done: Gesture, cue: str) -> None:
        """Answer a gesture at once by a cue."""
        if done.words:
            self._cues.answer(cue)

    def tick(
        self,
        playing: bool,
        running: Snapshot | None,
        controllers: Collection[int],
        leaving: bool,
        now_us: int,
    ) -> None:
        """Show the state of now.

        Parameters
        ----------
        playing
            Whether there is a player with a card.
        running
            What it counts.
        controllers
            The numbers of those that are there.
        leaving
            Whether the power is about to go.
        """
        sounding = running is not None and running.sounding > 0
        self._lights.tick(playing, running, controllers, now_us)
        if playing and controllers and not self._ready:
            self._cues.ask("ready", now_us)
        self._ready = playing and (self._ready or bool(controllers))
        self._cues.tick(playing and not sounding, now_us)
        state: State = "playing" if controllers else "no controller"
        if leaving:
            state = "farewell"
        self._led.show(state if playing else "no card", now_us)

    def close(self) -> None:
        """Give the light back, and turn off those of the controllers."""
        self._lights.close()
        self._led.release()
