"""The command ``partiald sounds``: all sounds in a list, one in figures, a picture or a phrase."""

import argparse
import json
import re
import sys
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from config.library import OWNER_FOLDERS, shipped
from config.rank import MAX_PARTIALS
from config.settings import Settings
from config.sound import Envelope, Sound
from config.toml.faults import suggestion
from config.toml.files import write_atomic
from config.toml.printable import printable
from daemon.commands.settings import prepared
from daemon.drawing.shown_partials import partials_of
from daemon.errors import DeviceError, RunError, UsageError
from daemon.offline.wav_file import check_target

_WIDTH = 79
_MOST_SHOWN = 24
_NAME = re.compile("[a-z0-9][a-z0-9-]{0,39}")


def run(arguments: argparse.Namespace) -> int:
    """List, show or draw."""
    if arguments.what == "from":
        return _from(arguments)
    if arguments.what == "keep":
        return _keep(arguments.name)
    settings, sounds = prepared(arguments.settings)
    output: Path
    if arguments.what is None:
        lines = json_lines(sounds, settings) if arguments.json else list_lines(sounds, settings)
    elif arguments.what == "draw" and arguments.all:
        output = arguments.output or Path("sounds.png")
        lines = iter([_draw_all(sounds, settings, output, force=arguments.force)])
    elif arguments.name is None:
        raise UsageError("sounds draw: which sound? A name, or --all")
    else:
        if arguments.name not in sounds:
            hint = suggestion(arguments.name, sounds) or f"; there are {', '.join(sounds)}"
            raise UsageError(f"no sound '{printable(arguments.name)}'{hint}")
        if arguments.what == "draw":
            output = arguments.output or Path(f"{arguments.name}.png")
            lines = iter([_draw(sounds, arguments.name, output, force=arguments.force)])
        elif arguments.what == "hear":
            lines = iter([_hear(settings, sounds, arguments)])
        else:
            lines = show_lines(arguments.name, sounds[arguments.name])
    for line in lines:
        sys.stdout.write(f"{line}\n")
    return 0


def _keep(name: str) -> int:
    from daemon.control.ask import ask
    from daemon.shaping.hearing import wait_until_kept

    if not _NAME.fullmatch(name):
        raise UsageError(
            f"sounds keep: '{printable(name)}': small letters, digits and -, 40 at most"
        )
    answer = ask({"ask": "keep", "name": name})
    if "faults" in answer:
        raise RunError("\n".join(answer["faults"]))
    wait_until_kept(ask, name)
    sys.stdout.write(
        f"'{answer['of']}' as it is shaped now is kept as '{name}': {answer['path']}\n"
    )
    return 0


def _from(arguments: argparse.Namespace) -> int:
    from daemon.shaping.recorded_sound import found_in, write
    from daemon.shaping.recorded_words import found_lines

    key, output = arguments.key, arguments.output or Path(f"{arguments.notes[0].stem}.toml")
    if key is not None and not 0 <= key <= 127:
        raise UsageError(f"--key {key}: must be 0 to 127; 60 is C4")
    if output.suffix != ".toml":
        raise UsageError(f"-o {output}: a sound file's name must end in .toml")
    recorded = found_in(arguments.notes, output.stem, key)
    picture = write(recorded, output, force=arguments.force)
    for line in found_lines(recorded.paths, recorded.notes):
        sys.stdout.write(f"{line}\n")
    sys.stdout.write(f"{output}: the sound; {picture}: what is left of the recording without it\n")
    sys.stdout.write(f"To play it: copy {output} into {OWNER_FOLDERS[0]}\n")
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
        yield f"{number:>7}  {name:<{wide}}  {sound.count:>8}  {sound.title}{remark}"


def show_lines(name: str, sound: Sound) -> Iterator[str]:
    """Yield a sound in figures; organ stops by their footage."""
    yield f"{name}: {sound.title}"
    yield f"  {sound.about}"
    yield ""
    if sound.ranks:
        yield from _rank_lines(sound)
        return
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
    yield ""
    yield f"attack   {sound.envelope.attack_s:g} s"
    yield from _closing_lines(sound)


def _closing_lines(sound: Sound) -> Iterator[str]:
    envelope, velocity = sound.envelope, sound.velocity
    if sound.ranks and all(rank.decay_s for rank in sound.ranks):
        yield "decay    each partial its own, listed above for C4"
    else:
        yield f"decay    {_decay(envelope)}"
    yield f"release  {_release(sound)} s to 60 dB down"
    loud = f"velocity 1 is {velocity.range_db:g} dB quieter than 127"
    loud = loud if velocity.range_db else "velocity does not change the level"
    yield loud + (
        f", and 1 is duller by {velocity.tilt_db:g} dB per octave" if velocity.tilt_db else ""
    )
    if velocity.tilt_per_octave_db:
        more_db = velocity.tilt_per_octave_db
        yield f"         on C4, and by {more_db:g} dB more for each octave above it"
    yield f"{'level' if sound.ranks else 'trim':<8} {sound.level_db:g} dB"


def _rank_lines(sound: Sound) -> Iterator[str]:
    """Yield a sound of ranks: each rank, the partials that they make at C4, the noises."""
    yield "rank                    pitch  partials  level dB  rise s       pan"
    for rank in sound.ranks:
        pitch = rank.footage if rank.ratio is None else f"x {rank.ratio:g}"
        rise = sound.envelope.attack_s if rank.rise_s is None else rank.rise_s
        name = printable(rank.name) or "-"
        yield (
            f"{name[:22]:<22} {pitch:>6}  {rank.partials:>8}  {rank.level_db:>8.1f}  "
            f"{_span(rise):<11}  {_span(rank.pan)}"
        )
    yield ""
    partials = partials_of(sound)
    for_noise = sound.count - len(partials)
    noisy = f", {for_noise} of them for noise" if for_noise else ""
    yield f"{sound.count} of at most {MAX_PARTIALS} partials{noisy}; the strongest on C4:"
    yield "   ratio  level dB      T60    pan  rise s"
    strongest = max(partial.level for partial in partials)
    for each in sorted(sorted(partials, key=lambda each: -each.level)[:_MOST_SHOWN]):
        decay = f"{each.decay_s:.2f} s" if each.decay_s < 1e4 else "none"
        yield (
            f"{each.ratio:>8.3f}  {_decibels(each.level / strongest):>8.1f} {decay:>8}  "
            f"{each.pan:>5.2f}  {each.rise_s:.3f}"
        )
    yield ""
    for words, noise in (("onset", sound.onset_noise), ("release", sound.release_noise)):
        if noise is not None:
            low, high = noise.hz or noise.ratio or (0.0, 0.0)
            unit = "Hz" if noise.hz else "times the key"
            yield f"{words:<8} noise, {low:g} to {high:g} {unit}, {noise.level_db:g} dB"
    yield from _body_lines(sound)
    yield from _closing_lines(sound)
    if sound.effort.swell_db:
        yield f"swell    10 dB down is duller by {sound.effort.swell_db:g} dB per octave"


def _body_lines(sound: Sound) -> Iterator[str]:
    bodies = [rank.formants for rank in sound.ranks if rank.formants]
    if bodies:
        resonances = sorted({round(each.hz) for body in bodies for each in body})
        told = ", ".join(map(str, resonances))
        yield from textwrap.wrap(f"body     resonances at {told} Hz", 79, subsequent_indent=" " * 9)
    most = max(len(rank.vowels) for rank in sound.ranks)
    if most:
        yield f"vowels   {most + 1}; 'partiald learn vowel' gives them to a knob"


def _span(ends: float | list[float]) -> str:
    return " to ".join(f"{end:g}" for end in (ends if isinstance(ends, list) else [ends]))


def _release(sound: Sound) -> str:
    """Return how long notes fade: the shortest and the longest of the ranks."""
    times = [rank.release_s or sound.envelope.release_s for rank in sound.ranks]
    times = times or [sound.envelope.release_s]
    every = [each for some in times for each in (some if isinstance(some, list) else [some])]
    return _span(min(every) if min(every) == max(every) else [min(every), max(every)])


def _decay(envelope: Envelope) -> str:
    if envelope.sustain == 1:
        return "none: the envelope stays at its peak while the key is held"
    to = f"{_decibels(envelope.sustain):.1f} dB" if envelope.sustain else "silence"
    return f"{envelope.decay_s:g} s to 60 dB down, as far as {to}"


def _decibels(level: float) -> float:
    from math import log10

    return 20 * log10(max(level, 1e-9))


def json_lines(sounds: Mapping[str, Sound], settings: Settings) -> Iterator[str]:
    """Yield the list for a program to read."""
    programs = settings.sound.programs
    rows = [
        {
            "name": name,
            "title": sound.title,
            "about": sound.about,
            "family": sound.family,
            "program": programs.index(name) + 1 if name in programs else None,
            "partials": sound.count,
        }
        for name, sound in sounds.items()
    ]
    yield json.dumps(rows, indent=1, ensure_ascii=False)


def _hear(settings: Settings, sounds: Mapping[str, Sound], arguments: argparse.Namespace) -> str:
    from daemon.offline.phrase import phrase
    from daemon.offline.rendering import render
    from daemon.offline.wav_file import WavWriter
    from daemon.soundcard import playback

    name, output = arguments.name, arguments.output
    if output is not None:
        check_target(output, force=arguments.force)
    card, silence = (None, "") if output else playback.find(settings.audio.device)
    if output is None and card is None:
        raise DeviceError(f"{silence}; -o FILE.wav writes the phrase to a file")
    rate = settings.audio.sample_rate or (card.rate if card else 48_000)
    chosen = settings.sound.model_copy(update={"name": name, "programs": []})
    settings = settings.model_copy(update={"sound": chosen})
    song = phrase(sounds[name].family)
    if output is not None:
        with WavWriter(output, rate, force=arguments.force) as wav:
            render(song, settings, sounds, rate, wav.write)
        return f"{output}: a phrase on '{name}'"
    blocks: list[np.ndarray] = []
    render(song, settings, sounds, rate, lambda block: blocks.append(block.copy()))
    assert card is not None
    fault = playback.play(np.concatenate(blocks), rate, card)
    return f"Not heard: {fault}." if fault else f"'{name}', on '{card.name}'"


def _draw_all(sounds: Mapping[str, Sound], settings: Settings, output: Path, *, force: bool) -> str:
    from daemon.drawing.sound_sheet import draw_all

    check_target(output, force=force)
    names = [name for name in settings.sound.programs if name in sounds]
    try:
        write_atomic(output, draw_all(sounds, list(dict.fromkeys([*names, *sounds]))))
    except OSError as fault:
        raise RunError(f"{output}: {fault.strerror}; nothing written") from fault
    return f"{output}: {len(sounds)} sounds on one sheet"


def _draw(sounds: Mapping[str, Sound], name: str, output: Path, *, force: bool) -> str:
    from daemon.drawing.sound_picture import draw

    check_target(output, force=force)
    try:
        write_atomic(output, draw(sounds, name))
    except OSError as fault:
        raise RunError(f"{output}: {fault.strerror}; nothing written") from fault
    return f"{output}: spectrum, envelope and waveform of '{name}'"
