"""The files of settings and sounds: read, and watched for edits.

Threads: the main loop's alone, but for what `SettingsFiles.own_write` returns; reading takes some
milliseconds.
"""

from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from config import library
from config.layers import DEFAULT_PATHS, LEARNED, InForce, load_forgiving
from config.settings import Settings
from config.sound import Sound
from config.toml.faults import ConfigError
from config.toml.files import read_text
from daemon.storage.deferred_writes import Write
from daemon.storage.last_good import LastGood

_UNDER_WAY = "under way"


class LoadedSettings(NamedTuple):
    """Settings and sounds as they were read."""

    settings: Settings
    """Always playable: what is faulty is left out."""
    sounds: Mapping[str, Sound] = {}
    """The owner's, beside the shipped ones."""
    faults: Sequence[str] = ()
    """A line for each fault of a settings file."""
    remarks: Sequence[str] = ()
    """Lines on faulty sounds, and on edits that another file overrides."""
    origins: Mapping[str, str] = {}
    """The file of every key that is not at its default."""

    @property
    def files(self) -> list[str]:
        """The files that had something to say."""
        return sorted(set(self.origins.values()))


class SettingsFiles:
    """The layers of settings files, and the folders of sounds.

    Parameters
    ----------
    only
        A file used instead of all layers; None: the layers.
    sound_folders
        The owner's folders of sounds.
    last_good
        Stands in for a faulty layer.
    layers
        The layers' files.
    """

    def __init__(
        self,
        only: Path | None = None,
        sound_folders: Sequence[Path] = library.OWNER_FOLDERS,
        last_good: LastGood | None = None,
        layers: Sequence[Path] = DEFAULT_PATHS,
    ) -> None:
        self._only, self._layers = only, layers
        self._watched = list(layers) if only is None else [only]
        # Some systems save as this when asked for partiald.toml.
        self._misnamed = [path.with_name(f"{path.name}.txt") for path in self._watched]
        self._last_good = last_good or LastGood()
        self._sound_folders = sound_folders
        self._edits = 0
        self._own_writes: dict[Path, tuple[object, object]] = {}

    @property
    def folders(self) -> list[Path]:
        """The folders in which edits are made."""
        return [*(path.parent for path in self._watched), *self._sound_folders]

    def note_changes(self, paths: Collection[Path]) -> None:
        """Take the paths that have changed, as the kernel reports them.

        File times on a FAT partition have steps of two seconds: a second edit within one step may
        leave no other trace.
        """
        # The learned file is on no FAT partition, and is written by the daemon.
        files = {*self._watched, *self._misnamed} - {LEARNED}
        ours = [p for p in paths if p in files or p.parent in self._sound_folders]
        self._edits += bool(ours)

    def own_write(self, path: Path, write: Write) -> Write:
        """Return a write of a watched file that does not count as an edit; on any thread.

        It is to be done next: until then no edit of the file is noticed.
        """
        before = self._stamp(path)
        self._own_writes[path] = _UNDER_WAY, before

        def write_and_note() -> None:
            try:
                write()
            finally:
                self._own_writes[path] = _stamp(path), before

        return write_and_note

    def load(self) -> LoadedSettings:
        """Read everything; a fault in a file raises nothing."""
        own, remarks = library.load_own_sounds(self._sound_folders)
        try:
            in_force, faults = self._read_layers(library.with_shipped(own))
        except ConfigError as error:
            # The layers are valid one by one, but not together.
            in_force, faults = InForce(Settings(), {}), error.faults
        remarks += [
            f"{p}: is not read: take '.txt' off its name" for p in _existing(self._misnamed)
        ]
        return LoadedSettings(
            settings=in_force.settings,
            sounds=own,
            faults=list(faults),
            remarks=[*remarks, *in_force.overridden, *in_force.stood_in],
            origins=in_force.origins,
        )

    def _read_layers(self, sounds: Collection[str]) -> tuple[InForce, list[str]]:
        if self._only is not None:
            return load_forgiving([self._only], sounds)
        last_good = self._last_good.texts()
        in_force, faults = load_forgiving(None, sounds, self._layers, last_good)
        if not faults:
            with suppress(ConfigError):  # edited meanwhile, so it will be read again
                self._last_good.keep({path: read_text(path) for path in _existing(self._watched)})
        return in_force, faults

    def stamp(self) -> object:
        """Return what changes when one of the files does."""
        sounds = [path for folder in self._sound_folders for path in sorted(folder.glob("*.toml"))]
        paths = [*self._watched, *self._misnamed, *sounds]
        return [self._edits, *(self._stamp(path) for path in paths)]

    def _stamp(self, path: Path) -> object:
        # Before the file is looked at: it may be written at this moment.
        own = self._own_writes.get(path)
        stamp = _stamp(path)
        if own is None:
            return stamp
        written, before = own
        # A file that was deleted since is edited as well: it is not as it was before we wrote it.
        return before if written in (_UNDER_WAY, stamp) else (stamp, "edited")


def _existing(paths: Sequence[Path]) -> list[Path]:
    return [path for path in paths if _stamp(path) is not None]


def _stamp(path: Path) -> object:
    try:
        status = path.stat()
    except OSError:
        return None
    return str(path), status.st_ino, status.st_mtime_ns, status.st_size
