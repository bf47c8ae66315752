"""Takes: what the shipped sounds are measured on, rendered by the instrument itself.

Dry and without the tremulant. The latest takes are kept, for several tests; nobody writes into
them. Units: keys and velocities as MIDI counts them, seconds. Shapes: a take is (frames, 2).
"""

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from config.library import shipped
from config.sound import Sound
from tests.support.playing import RATE, Event, Recording, control, off, on, play, settings_for

BLOCK = 512
KEPT = 96
"""So many takes are kept, of half a megabyte or more each."""
MEASURING = ("sine", "flat64")
PLAYED = sorted(set(shipped()) - set(MEASURING))
"""The sounds that are there to be played."""
CHORD = (36, 48, 55, 60, 64, 67, 72, 76)
"""Eight keys over three octaves and a half."""
OCTAVES = range(36, 97, 12)
"""C2, C3 ... C7."""
SOFT, MIDDLING, HARD = VELOCITIES = (20, 64, 127)
COMPASS = range(36, 97, 5)
"""C2 to C7, twelve of the keys of an octave."""


def of(*families: str) -> list[str]:
    """Return the sounds of families."""
    return [name for name in PLAYED if shipped()[name].family in families]


def changed(name: str, **fields: Any) -> Sound:
    """Return a shipped sound with fields changed, unchecked."""
    return shipped()[name].model_copy(update=fields)


def alone(name: str, *ranks: int) -> Sound:
    """Return a shipped sound with some of its ranks, and no noise."""
    chosen = [shipped()[name].ranks[each] for each in ranks]
    return changed(name, ranks=chosen, onset_noise=None, release_noise=None)


def perform_dry(
    name: str, events: list[Event], seconds: float, sound: Sound | None = None, **settings: Any
) -> Recording:
    """Return what sounds of events without the room; ``sound`` stands for the one shipped."""
    sounds: Mapping[str, Sound] | None = None if sound is None else {name: sound}
    dry = settings_for(name, **{"room": {"level_db": -80.0}, **settings})
    frames = -(-round(seconds * RATE) // BLOCK) * BLOCK
    recording = play(events, frames, settings=dry, sounds=sounds, block_frames=BLOCK)
    recording.flags.writeable = False
    return recording


@lru_cache(maxsize=KEPT)
def note(
    name: str,
    key: int = 60,
    velocity: int = 100,
    seconds: float = 1.2,
    held_s: float = 60.0,
    swell: int = 127,
) -> Recording:
    """Return one note, its key struck at once and released after ``held_s``."""
    events = [on(0, key, velocity), off(round(held_s * RATE), key)]
    if swell < 127:
        events.insert(0, control(0, 11, swell))
    if held_s >= seconds:
        events.pop()
    return perform_dry(name, events, seconds)


@lru_cache(maxsize=KEPT)
def chord(name: str, velocity: int = 100) -> Recording:
    """Return the chord of eight."""
    return perform_dry(name, [on(0, key, velocity) for key in CHORD], 1.2)


def hz(key: int) -> float:
    """Return the frequency of a key."""
    return float(440.0 * 2.0 ** ((key - 69) / 12))
