"""The kernel's list of sound cards and MIDI devices: names, USB identities, holders.

Threads: any; every call reads afresh, in well under a millisecond a card.

The sound library leaves out a card that another program plays on, and can't list again while it
plays; the kernel shows every card at any time, in ``/proc/asound``, ``/sys/class/sound`` and
``/dev/snd``. What one of them does not show (a sandbox may hide it) is left empty. What a device
or a program calls itself is returned printable.
"""

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from config.toml.printable import printable
from daemon.linux.sysfs import content, matching, target

_CARD = re.compile(r"^\s*(\d+)\s+\[(.{15})\]:\s*(.*?)\s+-\s+(.*)$")
_PCM = re.compile(r"^(\d+)-(\d+):\s*(.*?)\s*:.*\bplayback\b")
_FIGURE = re.compile(r"^(rate|channels):\s*(\d+)", re.MULTILINE)
_OWNER = re.compile(r"owner_pid\s*:\s*(\d+)")


class KernelCard(NamedTuple):
    """One card, with sound or MIDI or both."""

    number: int
    id: str = ""
    """The kernel's short name; two cards alike get different ones, in the order they came."""
    name: str = ""
    """The product's name."""
    about: str = ""
    """All that the kernel says of it: driver, names, socket."""
    usb: str = ""
    """Vendor and product number of a USB device; ``?`` where only its socket shows that it is."""
    serial: str = ""
    """The serial number of a USB device that has one."""

    @property
    def identity(self) -> str:
        """What stays the same when the card returns, and differs for every other card."""
        return " ".join(filter(None, (self.usb, self.serial, "" if self.serial else self.id)))


def kernel_cards(proc: Path = Path("/proc"), sys: Path = Path("/sys")) -> dict[int, KernelCard]:
    """Return every card by its number."""
    texts = _texts(proc)
    numbers = set(texts)
    numbers |= {int(path.name[4:]) for path in matching(sys / "class/sound", "card[0-9]*")}
    return {number: _card(number, texts.get(number), proc, sys) for number in sorted(numbers)}


def usb_serial(number: int, sys: Path = Path("/sys")) -> str:
    """Return the serial number of a card's USB device; empty: it has none."""
    socket = target(sys / f"class/sound/card{number}/device")
    return printable(content(socket.parent / "serial")) if "/usb" in str(socket) else ""


def playback_devices(proc: Path = Path("/proc")) -> Iterator[tuple[int, int, str]]:
    """Yield card number, device number and name of everything that can play, busy or not."""
    for line in content(proc / "asound/pcm").split("\n"):
        if found := _PCM.match(line):
            yield int(found[1]), int(found[2]), printable(found[3])


def holder(number: int, device: int, proc: Path = Path("/proc")) -> str:
    """Return the program that plays on a card now; empty: none.

    A service that may not see others' processes gets no name, but always the number.
    """
    for status in matching(proc / f"asound/card{number}/pcm{device}p", "sub*/status"):
        if owner := _OWNER.search(content(status)):
            # owner_pid is a thread's; /proc has a directory for that as well.
            program = printable(content(proc / owner[1] / "comm"))
            return f"{program} (process {owner[1]})" if program else f"process {owner[1]}"
    return ""


def current_format(number: int, device: int, proc: Path = Path("/proc")) -> tuple[int, int]:
    """Return the rate and the number of channels a card plays at now; zeros: it does not play."""
    for file in matching(proc / f"asound/card{number}/pcm{device}p", "sub*/hw_params"):
        figures = dict(_FIGURE.findall(content(file)))
        if "rate" in figures:
            return int(figures["rate"]), int(figures.get("channels", 0))
    return 0, 0


def may_open(number: int, device: int, dev: Path = Path("/dev")) -> bool:
    """Return whether we may open a device: one that has just come belongs to root at first."""
    return os.access(dev / f"snd/pcmC{number}D{device}p", os.R_OK | os.W_OK)


def may_open_all(dev: Path = Path("/dev")) -> bool:
    """Return whether we may open every playback device."""
    return all(os.access(node, os.R_OK | os.W_OK) for node in matching(dev / "snd", "pcmC*D*p"))


def _texts(proc: Path) -> dict[int, tuple[str, str, str]]:
    """Return short name, product name and the whole text, by number."""
    texts: dict[int, tuple[str, str, str]] = {}
    number = -1
    for line in content(proc / "asound/cards").split("\n"):
        if found := _CARD.match(line):
            number = int(found[1])
            texts[number] = found[2].strip(), found[4].strip(), line.strip()
        elif number in texts:
            short, name, about = texts[number]
            texts[number] = short, name, f"{about} {line.strip()}"
    return texts


def _card(number: int, text: tuple[str, str, str] | None, proc: Path, sys: Path) -> KernelCard:
    folder = sys / f"class/sound/card{number}"
    socket = target(folder / "device")
    product = content(socket.parent / "product")
    short, name, about = text or (content(folder / "id"), product, product)
    usb = content(proc / f"asound/card{number}/usbid")
    if not usb and "/usb" in str(socket):
        usb = "?"
    short, name, about = printable(short), printable(name), printable(about)
    return KernelCard(number, short, name, about, usb, usb_serial(number, sys))
