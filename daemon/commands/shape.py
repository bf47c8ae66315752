"""The command ``partiald shape``: a page of sliders on which a sound is shaped while it plays.

On the running daemon every move is heard at once, in held notes too; without one it is heard by
``--aloud``, or only written. ``--plain`` reads and answers line by line.
"""

import argparse
import os
import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from config.library import OWNER_FOLDERS, unknown
from config.settings import Settings
from config.sound import Sound
from config.toml.files import read_text, write_atomic
from config.toml.printable import printable
from daemon.commands.settings import prepared
from daemon.errors import RunError, UsageError
from daemon.shaping.hearing import running
from daemon.shaping.kept_text import file_of, text_with
from daemon.shaping.page import Hearing, Keep, Page
from daemon.shaping.plain_page import PlainPage

_NAME = re.compile("[a-z0-9][a-z0-9-]{0,39}")
_LIBRARY = (
    "the page needs the library textual, 1.0 or later: 'apt install python3-textual' on Debian 13, "
    "or 'pip install textual'; 'partiald shape --plain' does without"
)


@dataclass
class _Shaped:
    """What is shaped, and where it is heard and kept."""

    name: str
    sound: Sound
    heard: Hearing
    write: Callable[[str, str], str]
    strike: Callable[[], str]
    stay: Callable[[], None] = lambda: None
    stop: Callable[[], None] = lambda: None
    left: Sound | None = None
    """The draft that already plays in its place."""


def run(arguments: argparse.Namespace) -> int:
    """Show the page until it is left."""
    settings, sounds = prepared(arguments.settings)
    if not arguments.plain and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError("shape: there is no terminal here; --plain reads and answers line by line")
    shaped = _shaped(arguments, settings, sounds)
    page = Page(shaped.name, shaped.sound, shaped.heard, settings.room.level_db)
    if shaped.left is not None:
        page.take_up(shaped.left)
    keep = _keep(shaped.write)
    try:
        if arguments.plain:
            plain = PlainPage(page, keep, shaped.strike)
            for line in plain.answers(iter(sys.stdin.readline, "")):
                sys.stdout.write(f"{line}\n")
                sys.stdout.flush()
        else:
            _screen(page, keep, shaped)
    finally:
        page.leave()
        shaped.stop()
    return 0


def _screen(page: Page, keep: Keep, shaped: _Shaped) -> None:
    try:
        from daemon.shaping.page_screen import PageScreen
    except ImportError as fault:
        raise RunError(_LIBRARY) from fault
    PageScreen(page, keep, shaped.strike, shaped.stay).run()


def _shaped(
    arguments: argparse.Namespace, settings: Settings, sounds: Mapping[str, Sound]
) -> _Shaped:
    """Return the sound: the running daemon's, or one of the files."""
    name = arguments.name or ""
    daemon = None if arguments.aloud else running()
    if daemon is not None:
        name, sound, left = daemon.sound(name)
        return _Shaped(name, sound, daemon, daemon.keep, daemon.strike, daemon.stay, left=left)
    name = name or settings.sound.name
    if name not in sounds:
        raise UsageError(unknown(name, sounds))
    sound = sounds[name]
    chosen = settings.sound.model_copy(update={"name": name, "programs": []})
    alone = settings.model_copy(update={"sound": chosen})
    if not arguments.aloud:
        from daemon.shaping.rendered import Rendered

        sys.stdout.write(
            "partiald is not running, so nothing is heard: a key that is struck writes\n"
            "a note into a file. --aloud plays it here instead.\n"
        )
        rendered = Rendered(alone, sounds)
        return _Shaped(name, sound, rendered, _writes_here(), rendered.strike)
    from daemon.shaping.aloud import CAUTION, Aloud

    sys.stdout.write(CAUTION)
    aloud = Aloud(alone, sounds)
    return _Shaped(name, sound, aloud, _writes_here(), aloud.strike, stop=aloud.stop)


def _keep(write: Callable[[str, str], str]) -> Keep:
    """Return what keeps a page's sound: its file with the new values, remarks and all."""

    def keep(name: str, page: Page) -> str:
        if not _NAME.fullmatch(name):
            given = f"'{printable(name)}'" if name else "no name was given"
            raise RunError(f"{given}: small letters, digits and - only, 40 at most")
        path = file_of(page.name)
        text = read_text(path) if path is not None else ""
        return write(name, text_with(text, page.table))

    return keep


def _writes_here() -> Callable[[str, str], str]:
    """Return what writes a sound file, where the daemon finds it or else in this folder."""
    folder = OWNER_FOLDERS[0] if os.access(OWNER_FOLDERS[0], os.W_OK) else Path()
    ours: set[Path] = set()

    def write(name: str, text: str) -> str:
        path = folder / f"{name}.toml"
        if path.exists() and path not in ours and file_of(name) != path:
            raise RunError(f"{path}: exists already; take another name")
        try:
            write_atomic(path, text)
        except OSError as fault:
            raise RunError(f"{path}: {fault.strerror}") from fault
        ours.add(path)
        return str(path)

    return write
