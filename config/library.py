"""All sounds: those that come with partiald, and the owner's.

A sound's name is the name of its file without ``.toml``; the owner's override those that come with
partiald. Sounds are validated one at a time: all in one call would hold the interpreter's lock for
milliseconds.
"""

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

from config.faults import ConfigError, parse_toml, suggestion, validate
from config.files import read_text
from config.sound import Sound
from config.wording import one_line

SHIPPED = Path(__file__).parent / "sounds"
OWNER_FOLDERS = (Path("/etc/partiald/sounds"), Path("/var/lib/partiald/sounds"))


def read_sound(path: Path) -> Sound:
    """Return the sound in a file.

    Raises
    ------
    ConfigError
        With every fault of the file.
    """
    return validate(Sound, parse_toml(read_text(path), str(path)), str(path))


@cache
def shipped() -> Mapping[str, Sound]:
    """Return the sounds that come with partiald, by name."""
    return {path.stem: read_sound(path) for path in sorted(SHIPPED.glob("*.toml"))}


def load_sounds(folders: Sequence[Path] = OWNER_FOLDERS) -> tuple[dict[str, Sound], list[str]]:
    """Return every sound by name, and the faults of those that were left out."""
    sounds = dict(shipped())
    faults: list[str] = []
    for folder in folders:
        # Hidden files are no sounds: other computers leave some beside what they copy.
        for path in sorted(folder.glob("[!.]*.toml")):
            try:
                sounds[path.stem] = read_sound(path)
            except ConfigError as error:
                faults += error.faults
    return sounds, faults


def find(sounds: Mapping[str, Sound], name: str) -> Sound:
    """Return a sound by its name.

    Raises
    ------
    ConfigError
        If there is none; the line names a similar one, and all others.
    """
    if name not in sounds:
        there = ", ".join(sorted(sounds))
        hint = suggestion(name, sounds) or ";"
        raise ConfigError([f"no sound '{one_line(name)}'{hint} there are: {there}"])
    return sounds[name]
