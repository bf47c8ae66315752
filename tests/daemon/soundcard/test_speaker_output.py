import ctypes
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.soundcard.card import Card
from daemon.soundcard.output import OutputError
from daemon.soundcard.speaker_output import RADIO_STALL_S, SpeakerOutput
from tests.support.fakes import Source
from tests.support.waiting import wait_until

BLOCK, RATE, BUFFER = 64, 48_000, 4_800
EPIPE, ENODEV = -32, -19


class Alsa:
    """ALSA's library with one speaker, which takes what is allowed."""

    def __init__(self) -> None:
        self.written: list[NDArray[np.float32]] = []
        self.faults: list[int] = []
        self.room = threading.Semaphore(BUFFER // BLOCK)
        self.prepared = 0
        self.refuses = 0
        self.closed = False
        self.channels = 0

    def __getattr__(self, name: str) -> Callable[..., int]:
        return lambda *_: self.refuses if name == "snd_pcm_hw_params" else 0

    def snd_pcm_hw_params_set_channels(self, pcm: Any, wanted: Any, channels: int) -> int:
        self.channels = channels
        return 0

    def snd_pcm_writei(self, pcm: Any, address: int, frames: int) -> int:
        self.room.acquire()
        if self.faults:
            return self.faults.pop(0)
        kind = ctypes.c_float * (frames * self.channels)
        audio = np.array(kind.from_address(address), np.float32).reshape(frames, self.channels)
        self.written.append(audio)
        return frames

    def snd_pcm_prepare(self, pcm: Any) -> int:
        self.prepared += 1
        return 0

    def snd_pcm_delay(self, pcm: Any, delay: Any) -> int:
        delay._obj.value = 9_600
        return 0

    def snd_pcm_close(self, pcm: Any) -> int:
        self.closed = True
        return 0

    def snd_strerror(self, fault: int) -> bytes:
        return b"No such device"


def started(channels: int = 2) -> tuple[SpeakerOutput, Alsa, Source]:
    alsa, source = Alsa(), Source()
    card = Card("Market Box", "bluetooth", RATE, channels, -1, pcm="bluealsa:DEV=1")
    output = SpeakerOutput(card, source, block_frames=BLOCK, library=alsa)
    output.start()
    return output, alsa, source


def end(alsa: Alsa) -> None:
    alsa.faults = [ENODEV]
    alsa.room.release(9)


@pytest.mark.parametrize(("channels", "heard"), [(2, [0.25, -0.5]), (1, [0.25])])
def test_it_plays_after_a_buffer_of_silence(channels: int, heard: list[float]) -> None:
    output, alsa, _ = started(channels)
    silent = BUFFER // BLOCK
    assert not np.any(alsa.written[:silent])
    alsa.room.release(3)
    wait_until(lambda: len(alsa.written) == silent + 3)
    assert np.allclose(alsa.written[-1], heard)
    assert output.blocks >= 3
    end(alsa)


def test_its_delay_is_what_the_bridge_says_and_never_less_than_the_buffer() -> None:
    output, alsa, _ = started()
    assert output.delay_s == pytest.approx(0.2)
    end(alsa)


def test_an_underrun_is_told_to_the_source_and_played_on_from() -> None:
    output, alsa, source = started()
    alsa.faults = [EPIPE]
    alsa.room.release(3)
    wait_until(lambda: len(source.underflows) >= 3)
    assert alsa.prepared == 1
    assert True in source.underflows
    assert output.alive(0.0)
    end(alsa)


def test_a_speaker_that_goes_is_not_alive() -> None:
    output, alsa, _ = started()
    assert output.alive(0.0)
    end(alsa)
    wait_until(lambda: not output.alive(0.0))


def test_a_speaker_that_takes_nothing_is_not_alive() -> None:
    output, alsa, _ = started()
    began_s = time.monotonic()
    assert output.alive(began_s + RADIO_STALL_S - 1.0)
    assert not output.alive(began_s + RADIO_STALL_S)
    end(alsa)


def test_one_that_cannot_be_opened_is_closed_and_says_why() -> None:
    alsa = Alsa()
    alsa.refuses = ENODEV
    card = Card("Market Box", "bluetooth", RATE, 2, -1, pcm="bluealsa:DEV=1")
    with pytest.raises(OutputError, match="No such device"):
        SpeakerOutput(card, Source(), block_frames=BLOCK, library=alsa)
    assert alsa.closed


@pytest.mark.needs("rtmidi")
def test_alsa_itself_understands_what_is_asked_of_it() -> None:
    """Its null device takes everything; rtmidi stands on the same library."""
    card = Card("nothing", "bluetooth", RATE, 2, -1, pcm="null")
    output = SpeakerOutput(card, Source(), block_frames=BLOCK)
    assert output._buffer_frames == BUFFER
    assert output._write(np.zeros((BLOCK, 2), np.float32)) == BLOCK
    with pytest.raises(OutputError, match="No such"):
        SpeakerOutput(replace(card, pcm="no-such-speaker"), Source(), block_frames=BLOCK)
