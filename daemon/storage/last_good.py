"""The last good settings: the texts of the settings files when they were last without a fault.

Threads: the main loop's alone, but for the write that it requests.

At power-on there may be nobody to read a log: then the last good text of a faulty file is used. The
texts are kept by path in one small JSON file, written in a pause of the music.
"""

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from config.layers import LEARNED
from config.toml.files import read_text, write_atomic
from daemon.storage.deferred_writes import Request, Write

PATH = LEARNED.parent / "last-good.json"
NAME = "the last good settings"


class LastGood:
    """Texts by path.

    Parameters
    ----------
    request
        Requests a deferred write; None: nothing is ever written.
    path
        The file.
    """

    def __init__(self, request: Request | None = None, path: Path = PATH) -> None:
        self._request, self._path = request, path
        self._texts: dict[str, str] | None = None

    def texts(self) -> Mapping[Path, str]:
        """Return what is kept; a missing or damaged file is empty."""
        if self._texts is None:
            self._texts = {}
            with suppress(Exception):
                kept = json.loads(read_text(self._path))
                self._texts = {str(path): str(text) for path, text in kept.items()}
        return {Path(path): text for path, text in self._texts.items()}

    def keep(self, texts: Mapping[Path, str]) -> None:
        """Take texts without a fault, and have them written if they have changed."""
        if self._request is None or texts == self.texts():
            return
        self._texts = {str(path): text for path, text in texts.items()}
        self._request(NAME, self._compose)

    def _compose(self) -> Write:
        text = json.dumps(self._texts, ensure_ascii=False, indent=1)
        return lambda: write_atomic(self._path, text)
