"""Where the daemon's settings and sounds come from, and whether the files have changed.

Threads: the main loop's alone; reading takes some milliseconds.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from config import library
from config.faults import ConfigError
from config.files import read_text
from config.layers import DEFAULT_PATHS, LEARNED, InForce, load_forgiving
from config.settings import Settings
from config.sound import Sound
from daemon.storage.last_good import LastGood


@dataclass(frozen=True)
class Loaded:
    """What was read."""

    settings: Settings
    """Playable in any case: what was faulty is left out."""
    sounds: Mapping[str, Sound] | None = None
    """None: only those that come with partiald."""
    faults: list[str] = field(default_factory=list)
    """One line for each fault of a settings file."""
    remarks: list[str] = field(default_factory=list)
    """Lines on faulty sounds, and on edits that another file overrides."""
    files: list[str] = field(default_factory=list)
    """The files that had something to say."""


class SettingsFiles:
    """The layers of settings files, and the folders of sounds.

    Parameters
    ----------
    only
        A file that stands for all layers; None: the layers.
    sound_folders
        The owner's.
    last_good
        What stands in for a faulty layer.
    usual
        The layers.
    """

    def __init__(
        self,
        only: Path | None = None,
        sound_folders: Sequence[Path] = library.OWNER_FOLDERS,
        last_good: LastGood | None = None,
        usual: Sequence[Path] = DEFAULT_PATHS,
    ) -> None:
        self._only, self._usual = only, usual
        self._watched = list(usual) if only is None else [only]
        # As some systems call a file that they were asked to call partiald.toml.
        self._misnamed = [path.with_name(f"{path.name}.txt") for path in self._watched]
        self._last_good = last_good or LastGood()
        self._folders = sound_folders
        self._edits = 0
        self._quiet: dict[Path, tuple[object, object]] = {}
        self.origins: Mapping[str, str] = {}
        """The file of every key that is not at its default, as last loaded."""

    @property
    def parents(self) -> list[Path]:
        """The folders in which edits are made."""
        return [*(path.parent for path in self._watched), *self._folders]

    def edited(self, paths: Collection[Path]) -> None:
        """Take paths at which something happened.

        The clock of a FAT partition goes in steps of two seconds: a second edit within one step may
        leave no other trace.
        """
        # What we learned is on no FAT partition, and is written by ourselves.
        files = {*self._watched, *self._misnamed} - {LEARNED}
        ours = [p for p in paths if p in files or p.parent in self._folders]
        self._edits += bool(ours)

    def write_quietly(self, path: Path, write: Callable[[], None]) -> None:
        """Have a watched file written by ourselves: that is no edit."""
        before = self._stamp(path)
        write()
        self._quiet[path] = _stamp(path), before

    def load(self) -> Loaded:
        """Read everything; no fault of a file comes out as an exception."""
        sounds, remarks = library.load_sounds(self._folders)
        try:
            in_force, faults = self._layers(sounds)
        except ConfigError as error:
            # Layers that are valid one by one, and together are not.
            in_force, faults = InForce(Settings(), {}), error.faults
        self.origins = in_force.origins
        shipped = library.shipped()
        extra = any(sound is not shipped.get(name) for name, sound in sounds.items())
        remarks += [f"{p}: is not read: take '.txt' off its name" for p in _there(self._misnamed)]
        return Loaded(
            settings=in_force.settings,
            sounds=sounds if extra else None,
            faults=list(faults),
            remarks=[*remarks, *in_force.overridden, *in_force.stood_in],
            files=sorted(set(in_force.origins.values())),
        )

    def _layers(self, sounds: Collection[str]) -> tuple[InForce, list[str]]:
        if self._only is not None:
            return load_forgiving([self._only], sounds)
        last_good = self._last_good.texts()
        in_force, faults = load_forgiving(None, sounds, self._usual, last_good)
        if not faults:
            with suppress(ConfigError):  # edited meanwhile: then it is read again
                self._last_good.keep({path: read_text(path) for path in _there(self._watched)})
        return in_force, faults

    def stamp(self) -> object:
        """Return what changes when one of the files does."""
        sounds = [path for folder in self._folders for path in sorted(folder.glob("*.toml"))]
        paths = [*self._watched, *self._misnamed, *sounds]
        return [self._edits, *(self._stamp(path) for path in paths)]

    def _stamp(self, path: Path) -> object:
        stamp = _stamp(path)
        if path not in self._quiet:
            return stamp
        written, before = self._quiet[path]
        # A file that was taken away again is edited, too, and not as it was before we wrote it.
        return before if stamp == written else (stamp, "edited")


def _there(paths: Sequence[Path]) -> list[Path]:
    return [path for path in paths if _stamp(path) is not None]


def _stamp(path: Path) -> object:
    try:
        status = path.stat()
    except OSError:
        return None
    return str(path), status.st_ino, status.st_mtime_ns, status.st_size
