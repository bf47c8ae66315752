"""The command ``partiald render``: a MIDI file into a WAV file, faster than it plays.

Units: frames, seconds, dB. Promise: every message on its frame, counted from the start of the
song; the same song, settings and machine give the same file, byte for byte.
"""

import argparse
import sys
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from config.layers import OWNER
from config.library import unknown
from config.settings import Settings
from config.sound import Sound
from config.toml.wording import counted
from daemon.commands.settings import prepared
from daemon.errors import RunError, UsageError
from daemon.offline import midi_file as songs
from daemon.offline.midi_file import Song
from daemon.offline.rendering import Rendering, render
from daemon.offline.wav_file import MOST_FRAMES, WavWriter, check_target

DEFAULT_RATE = 48_000
_MOST_REPAIRS = 8


def run(arguments: argparse.Namespace) -> int:
    """Render the song and report what became of it."""
    output: Path = arguments.output
    check_target(output, force=arguments.force)
    if output.exists() and arguments.song.exists() and output.samefile(arguments.song):
        raise UsageError(f"{output}: is the song itself; name another file")
    song = songs.read(arguments.song)
    settings, sounds = _settings(arguments)
    rate = settings.audio.sample_rate or DEFAULT_RATE
    if song.length_s * rate > MOST_FRAMES:
        raise RunError(
            f"{arguments.song}: lasts {song.length_s / 3600:.1f} hours; a WAV file holds "
            f"{MOST_FRAMES / rate / 3600:.1f} at {rate:,} Hz"
        )
    started = time.perf_counter()
    with WavWriter(output, rate, force=arguments.force) as wav, _Progress(song.length_s) as bar:
        rendering = render(song, settings, sounds, rate, wav.write, bar.show)
    _report(output, song, rendering, rate, time.perf_counter() - started)
    return 0


def _settings(arguments: argparse.Namespace) -> tuple[Settings, Mapping[str, Sound]]:
    """Return the defaults with the owner's file, or with the file named, and the sounds."""
    settings, sounds = prepared(arguments.settings, [OWNER], strict=True)
    if arguments.sound is None:
        return settings, sounds
    if arguments.sound not in sounds:
        raise UsageError(f"--sound: {unknown(arguments.sound, sounds)}")
    # One sound for the whole song: no program change finds another.
    chosen = settings.sound.model_copy(update={"name": arguments.sound, "programs": []})
    return settings.model_copy(update={"sound": chosen}), sounds


class _Progress:
    """A bar on stderr, if that is a terminal."""

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
        """Start the bar."""
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Remove the bar."""
        if self._bar is not None:
            self._bar.stop()

    def show(self, done_s: float) -> None:
        """Move the bar."""
        if self._bar is not None:
            self._bar.update(self._task, completed=done_s)


def _report(output: Path, song: Song, rendering: Rendering, rate: int, took_s: float) -> None:
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
    say(f"{output}: {_clock(length_s)}, {rate:,} Hz, 24 bit, stereo, peak {peak}")
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
        were = "was" if rendering.left_held == 1 else "were"
        say(f"{counted(rendering.left_held, 'note')} {were} never ended; released at the end")
    for repair in song.repairs[:_MOST_REPAIRS]:
        say(f"repaired: {repair}")
    if len(song.repairs) > _MOST_REPAIRS:
        say(f"and {counted(len(song.repairs) - _MOST_REPAIRS, 'more repair')}")


def _clock(length_s: float) -> str:
    minutes, seconds = divmod(round(length_s, 1), 60)
    return f"{minutes:.0f} min {seconds:.1f} s" if minutes else f"{seconds:.1f} s"
