"""Owed sounds: those that are to be kept, until the card has them.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone, but for the writes that it requests.

Promise: a sound that could not be written is not lost. It stays in force, one line says so, and it
is written with the next sound that is kept, or in a later pause; rarely, to spare a failing card.
"""

import logging
from collections.abc import Callable, Mapping
from typing import NamedTuple

from config.sound import Sound
from daemon.storage.deferred_writes import DeferredWrites, Write
from daemon.storage.kept_sounds import KeptSounds

log = logging.getLogger(__name__)

NAME = "what was shaped"
AGAIN_US = 300_000_000
"""How long a card that did not take a sound is left alone."""
_SETTLED_US = 200_000
"""By then the player knows that its knobs are at rest with the next sounds."""


class _Owed(NamedTuple):
    sound: Sound
    write: Write


class OwedSounds:
    """The sounds that the card has not taken yet.

    Parameters
    ----------
    kept
        Where they are to be.
    writes
        Writes them.
    clock_us
        The monotonic clock.
    put_in_force
        Is called when the card has not taken some: they are to be heard all the same.
    """

    def __init__(
        self,
        kept: KeptSounds,
        writes: DeferredWrites,
        clock_us: Callable[[], int],
        put_in_force: Callable[[], None],
    ) -> None:
        self._kept, self._writes, self._clock_us = kept, writes, clock_us
        self._put_in_force = put_in_force
        self._owed: dict[str, _Owed] = {}
        self._begun: dict[str, _Owed] = {}
        self._failed_us: int | None = None
        self._again_us: int | None = None
        self._told = ""

    @property
    def sounds(self) -> dict[str, Sound]:
        """Those that are owed, as they are heard meanwhile."""
        return {name: each.sound for name, each in self._owed.items()}

    def owe(self, sounds: Mapping[str, Sound], text: str = "") -> None:
        """Have sounds written at once, and with them whatever else is owed.

        ``text``: the file of the one that is given, if it has remarks of its own.
        """
        for name, sound in sounds.items():
            plain = sound.model_dump(exclude_unset=True)
            self._owed[name] = _Owed(sound, self._kept.write(name, plain, text))
        if self._owed:
            self._request()
            self._writes.hurry()

    def tick(self, now_us: int) -> None:
        """Have what the card did not take heard, and written in a pause when it is time to."""
        if self._failed_us is not None and now_us - self._failed_us >= _SETTLED_US:
            self._failed_us = None
            self._put_in_force()
        if self._again_us is not None and now_us >= self._again_us:
            self._request()

    def forget(self) -> None:
        """Owe nothing any more."""
        self._owed.clear()
        self._failed_us = self._again_us = None
        self._told = ""

    def _request(self) -> None:
        self._again_us = None
        self._writes.request(NAME, self._compose, self._done)

    def _compose(self) -> Write:
        begun = self._begun = dict(self._owed)

        def write() -> None:
            for name in begun:
                if why := self._kept.may_write(name):
                    raise OSError(why)
            for each in begun.values():  # together: that is one edit, and so it is read
                each.write()

        return write

    def _done(self, fault: OSError | None) -> None:
        """Take note that sounds were written, or why they were not."""
        done = [name for name, each in self._begun.items() if self._owed.get(name) is each]
        if fault is None:
            self._told = ""
            for name in done:
                del self._owed[name]
                log.info("kept: the sound '%s'", name)
        elif done:
            self._failed_us = self._clock_us()
            self._again_us = self._failed_us + AGAIN_US
            words, why = ", ".join(f"'{name}'" for name in done), str(fault)
            if fault.strerror:
                why = f"{fault.strerror}; make room on the card, or let it be written to"
            told = f"the sound {words} can't be kept yet: {why}"
            if told != self._told:
                self._told = told
                log.warning("%s; until then it is played as shaped, and tried again", told)
