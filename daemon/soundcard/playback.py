"""A finished recording played on the sound card, from silence upwards.

Units: frames, seconds. Shapes: audio is ``(N, 2)`` float32.
Threads: the sound library's callback reads the recording; the caller's waits for its end.
"""

import os
import sys
import time

import numpy as np
from numpy.typing import NDArray

from daemon.errors import DeviceError
from daemon.linux.stderr import silence_libraries
from daemon.soundcard.card import Card, choose_card, why_none
from daemon.soundcard.card_list import list_cards
from daemon.soundcard.output import OutputError, leave_portaudio
from daemon.soundcard.stream import Stream, open_stream

LEAD_S = 3.0
"""Silence first, for hands that are on the headphones."""
RAMP_S = 3.0
STOP_S = 0.05
"""Long enough that stopping does not click."""
CAUTION = (
    "Aloud in 3 seconds, from silence upwards: headphones off your ears, amplifier\n"
    "turned down, then slowly up. Ctrl-C stops it.\n"
)
_BLOCK_FRAMES = 512
_LOOK_S = 0.05


class Recording:
    """A sound that is played once, after silence and a ramp; a source of blocks.

    Parameters
    ----------
    audio
        Shape ``(N, 2)``.
    sample_rate
        Frames per second.
    """

    def __init__(self, audio: NDArray[np.float32], sample_rate: int) -> None:
        lead = np.zeros((round(LEAD_S * sample_rate), 2), np.float32)
        frames = min(round(RAMP_S * sample_rate), len(audio))
        # Even in dB, as the ear has it, from 60 dB down.
        rising = np.geomspace(1e-3, 1.0, max(frames, 1), dtype=np.float32)[:frames, np.newaxis]
        self._audio = np.concatenate([lead, audio[:frames] * rising, audio[frames:]])
        self._at = 0
        self._fade = np.linspace(1.0, 0.0, round(STOP_S * sample_rate), dtype=np.float32)
        self._stopping = False

    def stop(self) -> None:
        """Fade out from the next block on."""
        self._stopping = True

    @property
    def ended(self) -> bool:
        """Whether all of it has been rendered."""
        return self._at >= len(self._audio)

    def render_block(self, out: NDArray[np.float32], now_us: int, underflow: bool = False) -> None:
        """Overwrite ``out`` with what comes next. Real-time safe."""
        if self._stopping:
            self._stopping = False
            frames = min(len(self._fade), max(len(self._audio) - self._at, 0))
            self._audio = self._audio[: self._at + frames]
            self._audio[self._at :] *= self._fade[:frames, np.newaxis]
        part = self._audio[self._at : self._at + len(out)]
        out[: len(part)] = part
        out[len(part) :] = 0.0
        self._at += len(out)


def find(wanted: str = "") -> tuple[Card | None, str]:
    """Return the sound card the daemon would play on, or why there is none."""
    silence_libraries()
    try:
        cards = list_cards()
    except DeviceError as fault:
        return None, str(fault)
    card, _ = choose_card(cards, wanted)
    return card, "" if card else why_none(cards, wanted)


def play(audio: NDArray[np.float32], sample_rate: int, card: Card) -> str:
    """Play ``audio`` to its end or until Ctrl-C; return what went wrong, or nothing."""
    recording = Recording(audio, sample_rate)
    try:
        output = open_stream(card, recording, block_frames=_BLOCK_FRAMES, sample_rate=sample_rate)
        output.start()
    except OutputError as fault:
        return str(fault)
    sys.stdout.write(CAUTION)
    sys.stdout.flush()
    try:
        _wait(output, recording)
    except KeyboardInterrupt:
        recording.stop()
        _wait(output, recording)
    time.sleep(output.delay_s + _LOOK_S)  # what was rendered is still to be heard
    leave_portaudio()
    return ""


def _wait(output: Stream, recording: Recording) -> None:
    while not recording.ended:
        if not output.alive(time.monotonic()):
            sys.stdout.write(f"The sound card '{output.card.name}' stopped.\n")
            sys.stdout.flush()
            os._exit(0)  # closing the stream of a card that is gone may never return
        time.sleep(_LOOK_S)
