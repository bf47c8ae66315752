"""A restless player: random music for as long as one likes, and what must be true all the while.

Units: frames since the start (``at``), seconds (``_s``). The same seed gives the same music.
"""

import heapq
import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from config.settings import Settings
from voices.instrument import Instrument
from voices.notes.note_count import ACCOUNTS

CHANNELS = 3
CONTROLLERS = 2
_NEVER_IN_THE_INSTRUMENT = {"queue overflow", "no sound card"}
_PAGE_BYTES = 4096
_KNOBS = (1, 7, 10, 11, 72, 74)


class RestlessPlayer:
    """Phrases, chords, pedals, knobs, bends, nonsense and pulled plugs, with rests between.

    Parameters
    ----------
    seed
        Of the chance.
    sample_rate
        Frames per second.
    """

    def __init__(self, seed: int, sample_rate: int) -> None:
        self.struck = 0
        """Note-ons handed out."""
        self._chance = random.Random(seed)
        self._rate = sample_rate
        self._coming: list[tuple[int, int, int, bytes]] = []
        self._serial = 0
        self._phrase_at = 0

    def until(self, frame: int) -> Iterator[tuple[int, int, bytes]]:
        """Yield frame, controller and message of all that comes before a frame, in order."""
        while self._phrase_at < frame:
            self._phrase_at = self._phrase(self._phrase_at)
        while self._coming and self._coming[0][0] < frame:
            at, _, controller, message = heapq.heappop(self._coming)
            self.struck += message[0] & 0xF0 == 0x90 and message[2] > 0
            yield at, controller, message

    def _send(self, at: int, controller: int, *message: int) -> None:
        # The serial keeps those of one frame in the order in which they were sent.
        self._serial += 1
        heapq.heappush(self._coming, (at, self._serial, controller, bytes(message)))

    def _phrase(self, at: int) -> int:
        """Send what belongs to one phrase; return when the next one begins."""
        chance = self._chance
        controller, channel = chance.randrange(CONTROLLERS), chance.randrange(CHANNELS)
        match chance.randrange(20):
            case 0:
                self._send(at, controller, 0xC0 | channel, chance.randrange(12))
            case 1 | 2:
                for number in range(chance.randrange(1, 40)):
                    when = at + number * self._rate // 100
                    self._send(when, controller, 0xB0 | channel, chance.choice(_KNOBS), number * 3)
            case 3 | 4:
                for number in range(0, 128, 4):
                    when = at + number * self._rate // 200
                    self._send(when, controller, 0xE0 | channel, 0, number)
                self._send(at + self._rate, controller, 0xE0 | channel, 0, 64)
            case 5:
                self._nonsense(at, controller)
            case 6:
                self._send(at, controller, 0xB0 | channel, chance.choice((120, 121, 123)), 0)
            case 7:
                self._send(at, controller, 0xFF)  # the plug is pulled
            case _:
                return self._notes(at, controller, channel)
        return at + self._frames(0.05, 0.5)

    def _notes(self, at: int, controller: int, channel: int) -> int:
        """Send a melody or chords, now and then with the pedal and with knobs put right before."""
        chance = self._chance
        if chance.random() < 0.5:
            for number, value in ((7, 100), (10, 64), (11, 127), (1, 0), (74, 64), (72, 64)):
                self._send(at, controller, 0xB0 | channel, number, value)
        pedal = chance.random() < 0.2
        if pedal:
            self._send(at, controller, 0xB0 | channel, 64, 127)
        for _ in range(chance.randrange(1, 8)):
            for _ in range(chance.choice((1, 1, 2, 3, 4))):
                key, velocity = chance.randrange(24, 108), chance.randrange(1, 128)
                self._send(at, controller, 0x90 | channel, key, velocity)
                end = at + self._frames(0.02, 0.6)
                off = (
                    (0x80 | channel, key, 64) if chance.random() < 0.5 else (0x90 | channel, key, 0)
                )
                self._send(end, controller, *off)
            at += self._frames(0.05, 0.3)
        if pedal:
            self._send(at, controller, 0xB0 | channel, 64, 0)
        return at + self._frames(0.5, 6.5)

    def _nonsense(self, at: int, controller: int) -> None:
        """Send valid messages that mean nothing together; what they hold down is released later."""
        chance = self._chance
        for _ in range(chance.randrange(1, 30)):
            status = chance.randrange(0x80, 0xF0)
            length = 1 if status & 0xE0 == 0xC0 else 2
            values = [chance.randrange(128) for _ in range(length)]
            self._send(at + self._frames(0.0, 0.5), controller, status, *values)
        self._send(at + self._rate, controller, 0xFF)

    def _frames(self, low_s: float, high_s: float) -> int:
        return round(self._chance.uniform(low_s, high_s) * self._rate)


class Marathon:
    """A restless player at an instrument; every block is checked.

    Parameters
    ----------
    seed
        Of the music.
    settings, sample_rate, block_frames
        As for `voices.instrument.Instrument`.
    """

    def __init__(
        self, seed: int, settings: Settings, *, sample_rate: int, block_frames: int
    ) -> None:
        self.instrument = Instrument(settings, sample_rate=sample_rate, block_frames=block_frames)
        self.player = RestlessPlayer(seed, sample_rate)
        self.out = np.zeros((block_frames, 2), np.float32)
        self.blocks = 0
        self.loudest = 0.0
        """The highest peak so far, linear."""
        self._polyphony = settings.polyphony
        self._ceiling = 10 ** (settings.level.ceiling_db / 20) * 1.000001

    def play(self, seconds: float) -> None:
        """Play on, checking the note count and the peak of every block."""
        instrument, out, frames = self.instrument, self.out, len(self.out)
        for _ in range(round(seconds * instrument.sample_rate / frames)):
            began = instrument.frame
            for at, controller, message in self.player.until(began + frames):
                if message[0] == 0xFF:
                    instrument.release_controller(controller, at - began)
                else:
                    instrument.take(message, at - began, controller)
            instrument.render(out)
            self._check()
            self.blocks += 1

    def fill(self) -> None:
        """Strike every key on every program: what is made once and kept is made now."""
        for program in range(128):
            self.instrument.take((0xC0, program), 0, 0)
            for key in range(128):
                self.instrument.take((0x90, key, 1 + key % 127), 0, 0)
                self.player.struck += 1
                self.instrument.render(self.out)
                self.instrument.take((0x80, key, 0), 0, 0)
        self.instrument.take((0xC0, 0), 0, 0)

    def end(self) -> None:
        """Pull every plug and play until nothing sounds; fail when something hangs."""
        for controller in range(CONTROLLERS):
            self.instrument.release_controller(controller, 0)
        for _ in range(30 * self.instrument.sample_rate // len(self.out)):
            self.instrument.render(self.out)
        accounts = self.instrument.ledger.accounts()
        assert accounts["sounding"] == self.instrument.sounding == 0
        assert not self.out.any()

    def _check(self) -> None:
        ledger = self.instrument.ledger
        accounts = ledger.accounts()
        assert ledger.received - ledger.layered == self.player.struck
        assert ledger.received == sum(accounts.values())
        assert 0 <= accounts["sounding"] <= self._polyphony
        peak = max(self.instrument.peaks)
        # Not-a-number fails this too; the peak is that of the samples, as the next line looks now
        # and then.
        assert peak <= self._ceiling
        self.loudest = max(self.loudest, peak)
        if self.blocks % 61 == 0:
            assert np.isfinite(self.out).all()
            assert np.abs(self.out).max() <= self._ceiling
            loud = np.abs(self.out[self.out != 0])
            assert not (loud < np.finfo(np.float32).tiny).any()


def accounts_in_use(instrument: Instrument) -> set[str]:
    """Return the accounts that hold a note, of those an instrument books itself."""
    accounts = instrument.ledger.accounts()
    return {name for name in ACCOUNTS if accounts[name]} - _NEVER_IN_THE_INSTRUMENT


def resident(process: int | str = "self") -> int:
    """Return the bytes of memory that a process holds."""
    return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * _PAGE_BYTES
