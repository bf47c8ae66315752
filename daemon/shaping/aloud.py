"""The page's own sound where no daemon runs: an instrument on the sound card, from silence upwards.

Units: microseconds of the monotonic clock, frames. Threads: the sound library's callback renders;
the caller's sends messages and settings, which the engine takes up between two blocks.
"""

import time
from collections.abc import Mapping

from config.settings import Settings
from config.sound import Sound
from daemon.errors import DeviceError
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.player.engine import Engine
from daemon.shaping.hearing import KEY, VELOCITY
from daemon.shaping.sliders import Table
from daemon.soundcard import playback
from daemon.soundcard.output import OutputError
from daemon.soundcard.stream import open_stream

CAUTION = "It begins in silence: headphones off the ears, amplifier down, then slowly up.\n"
_BLOCK_FRAMES = 256


class Aloud:
    """An instrument that plays one sound, and takes what the page does to it.

    Parameters
    ----------
    settings, sounds
        Those it begins with; the settings name the sound.

    Raises
    ------
    DeviceError
        When there is no card to play on.
    """

    def __init__(self, settings: Settings, sounds: Mapping[str, Sound]) -> None:
        card, why = playback.find(settings.audio.device)
        if card is None:
            raise DeviceError(why)
        self._settings, self._sounds = settings, dict(sounds)
        self._ring = MessageRing(memoryview(bytearray(MessageRing.SIZE)))
        rate = settings.audio.sample_rate or card.rate
        self._engine = Engine(
            settings,
            ring=self._ring,
            counters=SharedCounters(memoryview(bytearray(SharedCounters.SIZE))),
            sample_rate=rate,
            block_frames=_BLOCK_FRAMES,
            sounds=self._sounds,
            fade_in=True,
        )
        try:
            self._output = open_stream(
                card, self._engine, block_frames=_BLOCK_FRAMES, sample_rate=rate
            )
            self._output.start()
        except OutputError as fault:
            raise DeviceError(f"'{card.name}': {fault}") from fault
        self._sounding = False

    def shape(self, name: str, table: Table | None, room_db: float | None) -> None:
        """Play a table in the place of a sound's; None: the sound's own again."""
        sounds = dict(self._sounds)
        if table is not None:
            sounds[name] = Sound.model_validate(table)
        settings = self._settings
        if room_db is not None:
            room = settings.room.model_copy(update={"level_db": room_db})
            settings = settings.model_copy(update={"room": room})
        self._engine.submit(settings, sounds)

    def strike(self) -> str:
        """Strike a key, or let it go; say which."""
        self._sounding = not self._sounding
        message = (0x90, KEY, VELOCITY) if self._sounding else (0x80, KEY, 64)
        self._ring.put(message, time.monotonic_ns() // 1000, 0)
        return "struck" if self._sounding else "released"

    def stop(self) -> None:
        """Fade out."""
        self._engine.fade_out()
        until_s = time.monotonic() + 1.0
        while not self._engine.is_silent and time.monotonic() < until_s:
            time.sleep(0.01)
