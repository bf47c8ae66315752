"""A sound on the page while nothing plays: a note of it is written as often as a key is struck.

Units: seconds. Threads: the caller's.
"""

from collections.abc import Mapping
from pathlib import Path

from config.settings import Settings
from config.sound import Sound
from daemon.errors import RunError
from daemon.offline.midi_file import Song
from daemon.offline.rendering import render
from daemon.offline.wav_file import WavWriter
from daemon.shaping.hearing import KEY, VELOCITY
from daemon.shaping.sliders import Table

HELD_S = 2.0
USUAL_RATE = 48_000
_NOTE = [(0.0, bytes((0x90, KEY, VELOCITY))), (HELD_S, bytes((0x80, KEY, 64)))]


class Rendered:
    """The sound as it is now, for whoever wants it in a file.

    Parameters
    ----------
    settings, sounds
        Those it begins with; the settings name the sound.
    folder
        Where the file goes; it replaces the one that was written before, and no other.
    """

    def __init__(
        self, settings: Settings, sounds: Mapping[str, Sound], folder: Path | None = None
    ) -> None:
        self._settings, self._sounds = settings, dict(sounds)
        self._now = self._settings, self._sounds
        self._path = (folder or Path()) / f"{settings.sound.name}-shaped.wav"
        self._written = False

    def shape(self, name: str, table: Table | None, room_db: float | None) -> None:
        """Have a table in the place of a sound's; None: the sound's own again."""
        settings, sounds = self._settings, dict(self._sounds)
        if table is not None:
            sounds[name] = Sound.model_validate(table)
        if room_db is not None:
            room = settings.room.model_copy(update={"level_db": room_db})
            settings = settings.model_copy(update={"room": room})
        self._now = settings, sounds

    def strike(self) -> str:
        """Write a note; return where it is."""
        if self._path.exists() and not self._written:
            raise RunError(f"{self._path}: exists already; move it away, and strike again")
        settings, sounds = self._now
        rate = settings.audio.sample_rate or USUAL_RATE
        with WavWriter(self._path, rate, force=True) as wav:
            render(Song(_NOTE, HELD_S, 1, []), settings, sounds, rate, wav.write)
        self._written = True
        return f"a note of it: {self._path}"
