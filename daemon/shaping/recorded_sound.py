"""A sound out of recordings: read, analysed, written as a sound file, and drawn.

Units: hertz, dB, seconds. Promise: the file and its picture are written whole or not at all; what
can't be analysed is one line that names the file.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from config.sound import Sound
from config.toml.faults import validate
from config.toml.files import write_atomic
from config.toml.wording import counted
from daemon.drawing.recording_picture import draw
from daemon.errors import RunError
from daemon.key_names import key_name
from daemon.offline import wav_reader
from daemon.offline.wav_file import check_target
from daemon.storage.sound_text import text_of
from voices.analysis.description import Description, describe
from voices.analysis.recording import UnfitError
from voices.analysis.sound_table import table_of


@dataclass(frozen=True)
class Recorded:
    """A sound that was found in recordings."""

    table: dict[str, Any]
    sound: Sound
    notes: list[Description]
    paths: list[Path]

    def text(self) -> str:
        """Return the sound file."""
        names = ", ".join(path.name for path in self.paths)
        note = self.notes[0]
        return text_of(
            self.table,
            [
                f"Found in {names} by 'partiald sounds from': {key_name(note.key)},"
                f" {note.hz:.2f} Hz.",
                f"The partials leave {note.residual_db:.1f} dB of the recording.",
            ],
        )


def found_in(paths: Sequence[Path], name: str, key: int | None = None) -> Recorded:
    """Return the sound in recordings of one or more notes; ``key`` is the first one's, if known.

    Raises
    ------
    RunError
        With one line, if one can't be read or analysed.
    """
    notes = []
    for place, path in enumerate(paths):
        audio, rate = wav_reader.read(path)
        try:
            notes.append(describe(audio, rate, None if place else key))
        except UnfitError as fault:
            raise RunError(f"{path}: {fault}") from None
    first = notes[0]
    about = (
        f"Found in a recording of {key_name(first.key)}: "
        f"{counted(len(first.partials), 'partial')}, which leave {first.residual_db:.0f} dB of it."
    )
    table = table_of(notes, name.replace("-", " ").capitalize(), about)
    return Recorded(table, validate(Sound, table, f"{name}.toml"), notes, list(paths))


def write(recorded: Recorded, output: Path, *, force: bool) -> Path:
    """Write sound file and picture; return the picture's path."""
    picture = output.with_suffix(".png")
    for path in (output, picture):
        check_target(path, force=force)
    drawn = draw(recorded.notes[0], output.stem)
    try:
        write_atomic(picture, drawn)
        write_atomic(output, recorded.text())
    except OSError as fault:
        raise RunError(f"{output}: {fault.strerror}; nothing written") from fault
    return picture
