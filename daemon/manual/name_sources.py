"""Where a shell finds the names that there are, without starting any program for them.

The formats of the two files of the kernel are those of Linux's sound/core/seq/seq_clientmgr.c and
sound/core/init.c.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from config.library import OWNER_FOLDERS, shipped

NO_CONTROLLERS = ("System", "Midi Through", "partiald*")
"""What plays no keys, or is partiald's own; a star stands for anything."""


@dataclass(frozen=True)
class NameSources:
    """The files to read, and the names that are known beforehand."""

    own: tuple[Path, ...] = OWNER_FOLDERS
    """Where the owner's sounds are."""
    clients: Path = Path("/proc/asound/seq/clients")
    """Lines such as ``Client  20 : "Cargo Bike Keys 25" [Kernel]``."""
    cards: Path = Path("/proc/asound/cards")
    """Lines such as `` 1 [Keys25         ]: USB-Audio - Cargo Bike Keys 25``."""
    sounds: tuple[str, ...] = ()
    """The sounds that come with partiald."""

    def put_into(
        self, script: str, quoted: Callable[[str], str], glob: str = "/*.toml", **others: str
    ) -> str:
        """Return a script with these names, and others, in the places marked ``@LIKE_THIS@``.

        ``glob``: how the shell finds all files of sounds in a folder.
        """
        parts = {
            "SOUNDS": " ".join(map(quoted, self.sounds)),
            "OWN": " ".join(quoted(str(each)) + glob for each in self.own),
            "CLIENTS": quoted(str(self.clients)),
            "CARDS": quoted(str(self.cards)),
            **others,
        }
        for name, text in parts.items():
            script = script.replace(f"@{name}@", text)
        return script


def on_the_system() -> NameSources:
    """Return those of an installed system."""
    return NameSources(sounds=tuple(shipped()))
