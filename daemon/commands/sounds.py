"""The command ``partiald sounds``: all sounds in a list, one in figures, a picture or a phrase."""

import argparse
import json
import re
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from config.library import OWNER_FOLDERS, shipped, unknown
from config.settings import Settings
from config.sound import Sound
from config.toml.files import write_atomic
from config.toml.printable import printable
from daemon.commands.settings import prepared
from daemon.drawing.sound_figures import show_lines
from daemon.errors import DeviceError, RunError, UsageError
from daemon.offline.wav_file import check_target

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
            raise UsageError(unknown(arguments.name, sounds))
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
