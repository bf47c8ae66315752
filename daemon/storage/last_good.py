"""The settings files as they were when last without a fault.

Threads: the main loop's alone.

At power-on there may be nobody who could look at a log: then the last good text of a faulty file
plays. It is kept as one small file of JSON, path and text, written in a pause of the music.
"""

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

from config.files import read_text, write_atomic
from config.layers import LEARNED

PLACE = LEARNED.parent / "last-good.json"
WORDS = "the last good settings"

Ask = Callable[[str, Callable[[], None]], None]
"""Writes something in the next pause, as `DeferredWrites.ask` does."""


class LastGood:
    """Texts by path.

    Parameters
    ----------
    ask
        When to write; None: only what is there is read.
    place
        Where they are kept.
    """

    def __init__(self, ask: Ask | None = None, place: Path = PLACE) -> None:
        self._ask, self._place = ask, place
        self._texts: dict[str, str] | None = None

    def texts(self) -> Mapping[Path, str]:
        """Return what is kept; nothing where nothing readable is."""
        if self._texts is None:
            self._texts = {}
            with suppress(Exception):  # damaged, missing, or not ours to read: all the same
                kept = json.loads(read_text(self._place))
                self._texts = {str(path): str(text) for path, text in kept.items()}
        return {Path(path): text for path, text in self._texts.items()}

    def keep(self, texts: Mapping[Path, str]) -> None:
        """Take texts without a fault, and have them written if they are others than before."""
        if self._ask is None or texts == self.texts():
            return
        self._texts = {str(path): text for path, text in texts.items()}
        self._ask(WORDS, self._write)

    def _write(self) -> None:
        write_atomic(self._place, json.dumps(self._texts, ensure_ascii=False, indent=1))
