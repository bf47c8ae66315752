"""The command ``partiald sounds``: all sounds in a list, one in figures or in a picture."""

import argparse
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

from config.faults import suggestion
from config.files import write_atomic
from config.library import shipped
from config.printable import printable
from config.settings import Settings
from config.sound import Envelope, Sound
from daemon.commands.settings import prepared
from daemon.errors import RunError, UsageError
from daemon.offline.wav_file import check_target

_WIDTH = 79


def run(arguments: argparse.Namespace) -> int:
    """List, show or draw."""
    settings, sounds = prepared(arguments.settings)
    if arguments.what is None:
        lines = list_lines(sounds, settings)
    else:
        if arguments.name not in sounds:
            hint = suggestion(arguments.name, sounds) or f"; there are {', '.join(sounds)}"
            raise UsageError(f"no sound '{printable(arguments.name)}'{hint}")
        if arguments.what == "draw":
            output: Path = arguments.output or Path(f"{arguments.name}.png")
            lines = iter([_draw(sounds, arguments.name, output, force=arguments.force)])
        else:
            lines = show_lines(arguments.name, sounds[arguments.name])
    for line in lines:
        sys.stdout.write(f"{line}\n")
    return 0


def list_lines(sounds: Mapping[str, Sound], settings: Settings) -> Iterator[str]:
    """Yield a line for each sound: program, name, title, and how many partials."""
    programs = settings.sound.programs
    wide = max(len(name) for name in sounds)
    yield f"program  {'name':<{wide}}  partials  title"
    order = [name for name in programs if name in sounds]
    for name in dict.fromkeys([*order, *sounds]):
        number = str(programs.index(name) + 1) if name in programs else "-"
        sound = sounds[name]
        marks = [
            words
            for words, true in (
                ("at power-on", name == settings.sound.name),
                ("yours", sound != shipped().get(name)),
            )
            if true
        ]
        remark = f"  ({', '.join(marks)})" if marks else ""
        yield f"{number:>7}  {name:<{wide}}  {len(sound.ratios):>8}  {sound.title}{remark}"


def show_lines(name: str, sound: Sound) -> Iterator[str]:
    """Yield a sound in figures; organ stops by their footage."""
    yield f"{name}: {sound.title}"
    yield f"  {sound.about}"
    yield ""
    stops = list(sound.footage or {})
    yield "partial    ratio  level dB  phase cycles  own decay T60 at C4" + "  stop" * bool(stops)
    strongest = max(sound.levels)
    for number, (ratio, level, phase) in enumerate(
        zip(sound.ratios, sound.levels, sound.phases, strict=True)
    ):
        decay = "none" if sound.decays_s is None else f"{sound.decays_s[number]:.2f} s"
        relative = _decibels(level / strongest)
        stop = " " * 13 + stops[number] if stops else ""
        yield f"{number + 1:>7}  {ratio:>7.3f}  {relative:>8.1f}  {phase:>12.3f}  {decay:>8}{stop}"
    envelope, velocity = sound.envelope, sound.velocity
    yield ""
    yield f"attack   {envelope.attack_s:g} s"
    yield f"decay    {_decay(envelope)}"
    yield f"release  {envelope.release_s:g} s to 60 dB down"
    yield f"velocity 1 is {velocity.range_db:g} dB quieter than 127" + (
        f", and duller by {velocity.tilt_db:g} dB per octave" if velocity.tilt_db else ""
    )
    yield f"trim     {sound.level_db:g} dB"


def _decay(envelope: Envelope) -> str:
    if envelope.sustain == 1:
        return "none: the envelope stays at its peak while the key is held"
    to = f"{_decibels(envelope.sustain):.1f} dB" if envelope.sustain else "silence"
    return f"{envelope.decay_s:g} s to 60 dB down, as far as {to}"


def _decibels(level: float) -> float:
    from math import log10

    return 20 * log10(max(level, 1e-9))


def _draw(sounds: Mapping[str, Sound], name: str, output: Path, *, force: bool) -> str:
    from daemon.drawing.sound_picture import draw

    check_target(output, force=force)
    try:
        write_atomic(output, draw(sounds, name))
    except OSError as fault:
        raise RunError(f"{output}: {fault.strerror}; nothing written") from fault
    return f"{output}: spectrum, envelope and waveform of '{name}'"
