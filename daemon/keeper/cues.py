"""Quiet tones that tell what a screen would, while nobody plays.

Units: seconds, MIDI keys, dB below full scale; microseconds of the monotonic clock (``_us``).
Threads: the keeper's main loop.

A cue never sounds over music: it waits until nothing sounds, and is dropped when that takes long.
"""

from collections.abc import Callable

from config.settings import CueSettings

PATTERNS: dict[str, tuple[tuple[int, float], ...]] = {
    "ready": ((67, 0.11), (71, 0.11), (74, 0.22)),
    "found": ((74, 0.09), (79, 0.14)),
    "lost": ((74, 0.09), (67, 0.14)),
    "refused": ((60, 0.12), (59, 0.12), (60, 0.12), (59, 0.2)),
    "unwell": ((55, 0.25), (55, 0.25), (55, 0.25)),
    "farewell": ((79, 0.2), (74, 0.2), (71, 0.2), (67, 0.6)),
}
"""Key and duration of each tone; sines, one after the other."""
_SETTINGS = {
    "ready": "ready",
    "found": "controller",
    "lost": "controller",
    "refused": "settings",
    "unwell": "board",
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
            seconds = sum(duration for _, duration in PATTERNS[name])
            self._silent_since_us = now_us + round(seconds * 1e6)
