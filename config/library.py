"""All sounds: those that come with partiald, and the owner's.

A sound's name is the name of its file without ``.toml``; the owner's override those that come with
partiald. Those are read when they are asked for: a start needs few of them.
"""

from collections import ChainMap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path

from config.sound import Sound
from config.toml.faults import ConfigError, parse_toml, suggestion, validate
from config.toml.files import read_text
from config.toml.wording import one_line

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


class _Folder(Mapping[str, Sound]):
    """The sounds of a folder in which no file has a fault, each read once."""

    def __init__(self, folder: Path) -> None:
        self._paths = {path.stem: path for path in sorted(folder.glob("*.toml"))}
        self._read: dict[str, Sound] = {}

    def __getitem__(self, name: str) -> Sound:
        if name not in self._read:
            self._read[name] = read_sound(self._paths[name])
        return self._read[name]

    def __contains__(self, name: object) -> bool:
        return name in self._paths

    def __iter__(self) -> Iterator[str]:
        return iter(self._paths)

    def __len__(self) -> int:
        return len(self._paths)


@cache
def shipped() -> Mapping[str, Sound]:
    """Return the sounds that come with partiald, by name."""
    return _Folder(SHIPPED)


def with_shipped(own: Mapping[str, Sound]) -> Mapping[str, Sound]:
    """Return the sounds that come with partiald, and those of the owner's, which override them."""
    return ChainMap(dict(own), shipped())  # type: ignore[arg-type]


def load_sounds(folders: Sequence[Path] = OWNER_FOLDERS) -> tuple[Mapping[str, Sound], list[str]]:
    """Return every sound by name, and the faults of those that were left out."""
    own, faults = load_own_sounds(folders)
    return with_shipped(own), faults


def load_own_sounds(
    folders: Sequence[Path] = OWNER_FOLDERS,
) -> tuple[dict[str, Sound], list[str]]:
    """Return the owner's sounds by name, and the faults of those that were left out."""
    sounds: dict[str, Sound] = {}
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
        If there is none; see `unknown`.
    """
    if name not in sounds:
        raise ConfigError([unknown(name, sounds)])
    return sounds[name]


def unknown(name: str, sounds: Iterable[str]) -> str:
    """Return the fault of a name that no sound has; it names a similar one."""
    hint = suggestion(name, sounds) or "; 'partiald sounds' lists them"
    return f"no sound '{one_line(name)}'{hint}"
