"""The command ``partiald rehearse``: the whole instrument, without any hardware.

Promise: three files in a folder, a report of at most 79 columns, and an exit code of 0 when the
rehearsal worked, whether or not there is a sound card to hear it on.
"""

import argparse
import io
import shutil
import sys
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from config.settings import Settings
from config.toml.files import write_atomic
from daemon.commands.settings import prepared
from daemon.errors import RunError
from daemon.offline.performance import Performance, perform, rehearsal_settings
from daemon.offline.wav_file import WavWriter, check_target

if TYPE_CHECKING:
    from daemon.soundcard.card import Card

_NAMES = ("rehearsal.wav", "rehearsal.png", "rehearsal.mid")
_WIDTH = 79


def run(arguments: argparse.Namespace) -> int:
    """Rehearse, write the files, report what happened."""
    started = time.perf_counter()
    settings, sounds = prepared(arguments.settings)
    settings = rehearsal_settings(settings)
    card, silence = _card(settings) if arguments.aloud else (None, "")
    rate = settings.audio.sample_rate or (card.rate if card else 0)
    folder: Path = arguments.into
    new = _prepare(folder)
    try:
        performance = perform(settings, sounds, sample_rate=rate)
        _write(performance, settings, folder)
    except BaseException:
        if new:
            folder.rmdir()
        raise
    _report(performance, settings, folder, time.perf_counter() - started)
    if card is not None:
        from daemon.soundcard import playback

        silence = playback.play(performance.audio, performance.sample_rate, card)
    if silence:
        sys.stdout.write(f"\nNot played aloud: {silence}.\n")
    return 0


def _card(settings: Settings) -> "tuple[Card | None, str]":
    from daemon.soundcard import playback

    return playback.find(settings.audio.device)


def _prepare(folder: Path) -> bool:
    """Make the folder if need be; refuse what can't be written before any work is done."""
    try:
        new = not folder.exists()
        folder.mkdir(exist_ok=True)
    except FileExistsError as fault:
        raise RunError(f"{folder}: is a file; --into names a folder") from fault
    except OSError as fault:
        raise RunError(f"{folder}: {fault.strerror}; --into names another folder") from fault
    for name in _NAMES:
        check_target(folder / name, force=True)
    return new


def _write(performance: Performance, settings: Settings, folder: Path) -> None:
    from daemon.drawing.performance_picture import draw

    wav, png, mid = (folder / name for name in _NAMES)
    written: list[Path] = []
    try:
        with WavWriter(wav, performance.sample_rate, force=True) as writer:
            writer.write(performance.audio)
        written.append(wav)
        write_atomic(png, draw(performance.scene(settings.level.ceiling_db)))
        written.append(png)
        song = io.BytesIO()
        performance.midi().save(file=song)
        write_atomic(mid, song.getvalue())
    except BaseException as fault:
        for path in written:
            path.unlink(missing_ok=True)
        if isinstance(fault, OSError):
            raise RunError(f"{folder}: {fault.strerror}; nothing written") from fault
        raise


def _report(performance: Performance, settings: Settings, folder: Path, took_s: float) -> None:
    import numpy as np
    from rich.console import Console

    from daemon.drawing.note_summary import count_lines, lost_lines
    from daemon.drawing.terminal_picture import account_mark, lines

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal or console.width > _WIDTH:
        console.width = _WIDTH
    scene = performance.scene(settings.level.ceiling_db)
    length_s = scene.length_s

    def say(words: str = "", style: str = "") -> None:
        console.print(words, style=style, soft_wrap=True)

    say("A cargo-bike organ at a street market, and nobody there to play it:", "bold")
    say("the daemon's own code, a simulated controller, a clock that does not wait.")
    say()
    happened = [(mark.at_s, f"cable {mark.words}") for mark in performance.marks]
    happened += [(at_s, f"noticed: {words}") for at_s, words in performance.noticed]
    for at_s, words in sorted(happened):
        say(f"{at_s:6.1f} s  {words}")
    say()
    colour = console.is_terminal and not console.no_color
    for line in lines(scene, console.width, colour=colour):
        console.print(line, soft_wrap=True)
    say()
    say("What became of the notes", "bold")
    mark = partial(account_mark, colour=colour)
    for line in count_lines(performance.accounts, performance.received, mark):
        console.print(line, soft_wrap=True)
    lost = lost_lines(scene.bars, settings.polyphony)
    if lost:
        say()
        say(f"Not as they were played (polyphony = {settings.polyphony} here)", "bold")
        for line in lost:
            console.print(line, soft_wrap=True)
    peak_db = 20 * np.log10(max(float(np.abs(performance.audio).max()), 1e-9))
    say()
    say(
        f"Sound '{settings.sound.name}', peak {peak_db:.1f} dBFS; "
        f"{performance.sounding_peak} voices at once at most, with tails."
    )
    say(f"{length_s:.1f} s of music in {took_s:.1f} s.")
    say()
    say("The files", "bold")
    wav, png, mid = (folder / name for name in _NAMES)
    say(f"  {wav}   the sound; start low")
    say(f"  {png}   the picture, larger")
    say(f"  {mid}   what was played; to hear it with all voices:")
    say(f"      {_program_name()} render {mid} -o waltz.wav")


def _program_name() -> str:
    """Return what to type to call this program, for messages that suggest a command."""
    program = sys.argv[0]
    if program.endswith("__main__.py"):
        return "python -m daemon"
    found = shutil.which("partiald")
    on_path = found is not None and Path(found).resolve() == Path(program).resolve()
    return "partiald" if on_path or "/" not in program else program
