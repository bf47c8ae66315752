"""A song rendered in virtual time: as fast as the machine can, every message on its frame.

Units: frames, seconds. Shapes: audio is ``(N, 2)`` float32.

Promise: the same song, settings and machine give the same samples.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from daemon.offline.midi_file import Song
from voices.instrument import Instrument

BLOCK_FRAMES = 1024
"""Long blocks are fast; the sound does not depend on them."""
LONGEST_TAIL_S = 60.0
SILENT = 10 ** (-90 / 20)
"""Below this peak a tail is over."""
# Sustain and sostenuto up, all notes off.
_RELEASING = (64, 66, 123)
_REPORT_EVERY = 64


@dataclass(frozen=True)
class Rendering:
    """What became of a song."""

    instrument: Instrument
    frames: int
    peak: float
    left_held: int
    """Notes that the song does not end; they are released where it ends."""


def render(
    song: Song,
    settings: Settings,
    sounds: Mapping[str, Sound],
    sample_rate: int,
    write: Callable[[NDArray[np.float32]], None],
    progress: Callable[[float], None] = lambda _: None,
    *,
    block_frames: int = BLOCK_FRAMES,
) -> Rendering:
    """Play a song block by block into ``write`` until its last tail is silent.

    Parameters
    ----------
    song, settings, sounds, sample_rate
        What is played, and on what.
    write
        Takes each block, shape ``(block_frames, 2)``; the block is reused afterwards.
    progress
        Called now and then with the seconds that are done.
    block_frames
        The length of a block.
    """
    instrument = Instrument(
        settings, sample_rate=sample_rate, block_frames=block_frames, sounds=sounds
    )
    out = np.empty((block_frames, 2), np.float32)
    end = round(song.length_s * sample_rate)
    placed = [(round(time_s * sample_rate), message) for time_s, message in song.events]
    following, peak, left_held, done = 0, 0.0, 0, False
    while not done:
        start = instrument.frame
        until = start + block_frames
        while following < len(placed) and placed[following][0] < until:
            frame, message = placed[following]
            instrument.take(message, frame - start)
            following += 1
        if start <= end < until:
            left_held = instrument.ledger.accounts()["sounding"]
            for channel in range(16):
                for number in _RELEASING:
                    instrument.take((0xB0 | channel, number, 0), end - start)
        instrument.render(out)
        write(out)
        loudest = max(instrument.peaks)
        peak = max(peak, loudest)
        if start // block_frames % _REPORT_EVERY == 0:
            progress(min(until, end) / sample_rate)
        # Notes may have ended while their room rings on.
        silent = loudest < SILENT
        done = until > end and (silent or until > end + LONGEST_TAIL_S * sample_rate)
    return Rendering(instrument, instrument.frame, peak, left_held)
