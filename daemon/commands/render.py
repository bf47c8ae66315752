"""The command ``partiald render``: a MIDI file into a WAV file, faster than it plays.

Units: frames, seconds, dB. Promise: every message on its frame, counted from the start of the
song; the same song, settings and machine give the same file, byte for byte.
"""

import argparse
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from config.layers import OWNER
from config.settings import Settings
from config.sound import Sound
from daemon.commands.settings import prepared
from daemon.errors import RunError, UsageError
from daemon.offline import midi_file as songs
from daemon.offline.midi_file import Song
from daemon.offline.wav_file import MOST_FRAMES, WavWriter, check_target
from voices.instrument import Instrument

USUAL_RATE = 48_000
BLOCK_FRAMES = 1024
"""Long blocks are fast; the sound does not depend on them."""
MOST_TAIL_S = 60.0
SILENT = 10 ** (-90 / 20)
"""Below this peak a tail is over."""
# Sustain and sostenuto up, all notes off.
_LETTING_GO = (64, 66, 123)
_TELL_EVERY = 64
_MOST_REPAIRS = 8


@dataclass(frozen=True)
class Rendering:
    """What became of a song."""

    instrument: Instrument
    frames: int
    peak: float
    left_held: int
    """Notes the song forgot to end; they were let go where it ends."""


def run(arguments: argparse.Namespace) -> int:
    """Render the song and tell what became of it."""
    output: Path = arguments.output
    check_target(output, force=arguments.force)
    song = songs.read(arguments.song)
    settings, sounds = _settings(arguments)
    rate = settings.audio.sample_rate or USUAL_RATE
    if song.length_s * rate > MOST_FRAMES:
        raise RunError(
            f"{arguments.song}: lasts {song.length_s / 3600:.1f} hours; a WAV file holds "
            f"{MOST_FRAMES / rate / 3600:.1f} at {rate} Hz"
        )
    started = time.perf_counter()
    with WavWriter(output, rate, force=arguments.force) as wav, _Progress(song.length_s) as told:
        rendering = perform(song, settings, sounds, rate, wav.write, told.tell)
    _tell(output, song, rendering, rate, time.perf_counter() - started)
    return 0


def perform(
    song: Song,
    settings: Settings,
    sounds: Mapping[str, Sound],
    sample_rate: int,
    write: Callable[[NDArray[np.float32]], None],
    tell: Callable[[float], None] = lambda _: None,
    *,
    block_frames: int = BLOCK_FRAMES,
) -> Rendering:
    """Play a song block by block into ``write`` until its last tail is silent.

    Parameters
    ----------
    song, settings, sounds, sample_rate
        What is played, and on what.
    write
        Takes each block, shape ``(block_frames, 2)``; the block is used again afterwards.
    tell
        Now and then told how many seconds are done.
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
                for number in _LETTING_GO:
                    instrument.take((0xB0 | channel, number, 0), end - start)
        instrument.render(out)
        write(out)
        loudest = max(instrument.peaks)
        peak = max(peak, loudest)
        if start // block_frames % _TELL_EVERY == 0:
            tell(min(until, end) / sample_rate)
        silent = instrument.sounding == 0 or loudest < SILENT
        done = until > end and (silent or until > end + MOST_TAIL_S * sample_rate)
    return Rendering(instrument, instrument.frame, peak, left_held)


def _settings(arguments: argparse.Namespace) -> tuple[Settings, dict[str, Sound]]:
    """Return the defaults with the owner's file, or with the file named, and the sounds."""
    settings, sounds = prepared(arguments.settings, [OWNER], strict=True)
    if arguments.sound is None:
        return settings, sounds
    if arguments.sound not in sounds:
        raise UsageError(
            f"--sound {arguments.sound}: no such sound; there are: {', '.join(sounds)}"
        )
    # One sound for the whole song: no program change finds another.
    chosen = settings.sound.model_copy(update={"name": arguments.sound, "programs": []})
    return settings.model_copy(update={"sound": chosen}), sounds


class _Progress:
    """A bar on the terminal, on stderr; nothing where there is none."""

    def __init__(self, length_s: float) -> None:
        self._bar = None
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

            self._bar = Progress(
                TextColumn("  rendering"),
                BarColumn(44),
                TextColumn("{task.completed:.0f} of {task.total:.0f} s"),
                TimeRemainingColumn(compact=True),
                console=Console(stderr=True),
                transient=True,
            )
            self._task = self._bar.add_task("", total=max(length_s, 1e-3))

    def __enter__(self) -> "_Progress":
        """Show the bar."""
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.stop()

    def tell(self, done_s: float) -> None:
        """Move the bar."""
        if self._bar is not None:
            self._bar.update(self._task, completed=done_s)


def _tell(output: Path, song: Song, rendering: Rendering, rate: int, took_s: float) -> None:
    from rich.console import Console

    from daemon.drawing.note_summary import WIDTH, count_lines, lost_lines
    from daemon.offline.scene import bars

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal or console.width > WIDTH:
        console.width = WIDTH

    def say(words: str) -> None:
        console.print(words, soft_wrap=True)

    length_s = rendering.frames / rate
    ledger = rendering.instrument.ledger
    peak = f"{20 * np.log10(rendering.peak):.1f} dBFS" if rendering.peak > 0 else "silence"
    say(f"{output}: {_clock(length_s)}, {rate} Hz, 24 bit, stereo, peak {peak}")
    say(
        f"rendered in {took_s:.1f} s, {length_s / max(took_s, 1e-9):.0f} times faster than it plays"
    )
    for line in count_lines(ledger.accounts(), ledger.received):
        console.print(line, soft_wrap=True)
    polyphony = rendering.instrument.settings.polyphony
    lost = lost_lines(bars(ledger.notes, rate, rendering.frames), polyphony, most=6)
    if lost:
        recent = len(ledger.notes) < ledger.received
        say("not as played" + (f", of the last {len(ledger.notes)} notes:" if recent else ":"))
        for line in lost:
            console.print(line, soft_wrap=True)
    if rendering.left_held:
        say(f"{rendering.left_held} notes were never ended; let go at the end of the song")
    for repair in song.repairs[:_MOST_REPAIRS]:
        say(f"repaired: {repair}")
    if len(song.repairs) > _MOST_REPAIRS:
        say(f"repaired: {len(song.repairs) - _MOST_REPAIRS} more of that kind")


def _clock(length_s: float) -> str:
    minutes, seconds = divmod(length_s, 60)
    return f"{minutes:.0f} min {seconds:.1f} s" if minutes else f"{seconds:.1f} s"
