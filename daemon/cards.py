"""The sound cards there are, and which of them should play.

Units: rates in frames per second.
Threads: any; a list is as fresh as the process's first use of PortAudio.

PortAudio names the devices; what kind of card one is, and who holds it, the kernel tells in
``/proc/asound`` and ``/sys/class/sound``. A screen or a Bluetooth device is never chosen by
itself, only by name.
"""

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal, Protocol, Self

from daemon.faults import DeviceError

Kind = Literal["usb", "soldered", "jack", "screen", "bluetooth", "server", "other"]

KINDS: dict[Kind, str] = {
    "usb": "USB audio",
    "soldered": "soldered to the board (I2S)",
    "jack": "headphone jack",
    "server": "sound server",
    "screen": "screen (HDMI)",
    "bluetooth": "Bluetooth",
    "other": "neither card nor server",
}
"""Every kind in words, the best first."""

_BY_ITSELF: tuple[Kind, ...] = ("usb", "soldered", "jack", "server")
_NEVER_BY_ITSELF: dict[Kind, str] = {
    "screen": "a screen is only played by name",
    "bluetooth": "Bluetooth is 100 ms late and more; only played by name",
    "other": "only played by name",
}
_HARDWARE = re.compile(r"\(hw:(\d+),(\d+)\)")
_SERVERS = re.compile(r"\b(?:pulse|pipewire|jack)\b", re.IGNORECASE)
_WORDS: tuple[tuple[Kind, re.Pattern[str]], ...] = (
    ("bluetooth", re.compile(r"blue(?:tooth|alsa|z)|a2dp", re.IGNORECASE)),
    ("screen", re.compile(r"hdmi|display ?port|\bDP\b", re.IGNORECASE)),
    ("other", re.compile(r"loopback|dummy", re.IGNORECASE)),
    ("usb", re.compile(r"\busb\b", re.IGNORECASE)),
    ("jack", re.compile(r"headphone|\banalog\b|\bHDA\b", re.IGNORECASE)),
)
_PLAYABLE_RATES = (48_000, 44_100)


class SoundLibrary(Protocol):
    """What is asked of the module `sounddevice`."""

    def query_devices(self) -> Sequence[Mapping[str, Any]]:
        """Return PortAudio's devices."""

    def query_hostapis(self) -> Sequence[Mapping[str, Any]]:
        """Return PortAudio's host interfaces."""

    def check_output_settings(self, device: int, channels: int, samplerate: float) -> None:
        """Raise when a device can't be opened so."""


@dataclass(frozen=True)
class Card:
    """Something that can play.

    Parameters
    ----------
    name
        As PortAudio has it.
    kind
        See `KINDS`.
    rate
        The card's own, of those that can be played.
    channels
        How many it has, at most.
    index
        PortAudio's number.
    period_ms
        How much a sound server adds; 0: not known, or no server.
    holder
        The program that holds it now; empty: nobody.
    """

    name: str
    kind: Kind
    rate: int
    channels: int
    index: int
    period_ms: float = 0.0
    holder: str = ""

    def as_plain(self) -> dict[str, Any]:
        """Return the fields, for another process."""
        return asdict(self)

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Self:
        """Make a card from what `as_plain` gave."""
        return cls(**plain)


@dataclass(frozen=True)
class Verdict:
    """Why a card was taken, or not."""

    card: Card
    chosen: bool
    reason: str


def list_cards(
    library: SoundLibrary | None = None,
    *,
    proc: Path = Path("/proc"),
    sys: Path = Path("/sys"),
) -> list[Card]:
    """Return everything that can play, in PortAudio's order; empty when PortAudio has nothing.

    Raises
    ------
    DeviceError
        When there is no PortAudio.
    """
    library = library or _portaudio()
    interfaces = [str(interface["name"]) for interface in library.query_hostapis()]
    cards = []
    for index, device in enumerate(library.query_devices()):
        channels = int(device["max_output_channels"])
        if channels < 1:
            continue
        name = str(device["name"])
        server = interfaces[device["hostapi"]].startswith("JACK")
        hardware = _HARDWARE.search(name)
        rate = round(device["default_samplerate"])
        if hardware:
            rate = _own_rate(library, index, channels, rate)
        cards.append(
            Card(
                name=name,
                kind="server" if server else _kind(name, hardware, proc, sys),
                rate=rate,
                channels=channels,
                index=index,
                period_ms=1000 * float(device["default_low_output_latency"]) if server else 0.0,
                holder=_holder(hardware, proc) if hardware else "",
            )
        )
    return cards


def _portaudio() -> SoundLibrary:
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        fault = f"no sound without PortAudio ({error}); on Debian: apt install libportaudio2"
        raise DeviceError(fault) from error
    library: SoundLibrary = sounddevice
    return library


def rank(cards: Sequence[Card], wanted: str = "") -> list[Card]:
    """Return the cards that may play, the best first.

    Parameters
    ----------
    cards
        What there is.
    wanted
        Part of a name, upper or lower case; empty: the best kinds.
    """
    if wanted:
        named = [card for card in cards if wanted.lower() in card.name.lower()]
        exact = [card for card in named if card.name.lower() == wanted.lower()]
        # The hardware itself before the plug-ins that lead to it under a similar name.
        return exact or sorted(named, key=lambda card: _HARDWARE.search(card.name) is None)
    return sorted(
        (card for card in cards if card.kind in _BY_ITSELF),
        key=lambda card: (_BY_ITSELF.index(card.kind), bool(card.holder)),
    )


def choose(cards: Sequence[Card], wanted: str = "") -> tuple[Card | None, list[Verdict]]:
    """Return the card that should play, and for every card why it, or why not it."""
    ranked = rank(cards, wanted)
    best = ranked[0] if ranked else None
    return best, [Verdict(card, card is best, _reason(card, ranked, wanted)) for card in cards]


def missing(cards: Sequence[Card], wanted: str = "") -> str:
    """Return in one line why no card can be chosen."""
    present = ", ".join(f"'{card.name}'" for card in cards) or "none"
    if wanted:
        return f"no sound card matches '{wanted}'; present: {present}"
    if cards:
        return f"no sound card that is played by itself; name one of: {present}"
    return "no sound card and no sound server"


def _reason(card: Card, ranked: Sequence[Card], wanted: str) -> str:
    held = f"; held by {card.holder}" if card.holder else ""
    words = KINDS[card.kind]
    if card not in ranked:
        return f"not named '{wanted}'" if wanted else _NEVER_BY_ITSELF[card.kind]
    if card is ranked[0]:
        return (f"named '{wanted}'" if wanted else words) + held
    if wanted:
        return f"named '{wanted}', but '{ranked[0].name}' fits better{held}"
    if card.kind == ranked[0].kind:
        return f"{words}, but '{ranked[0].name}' comes first{held}"
    return f"{words}: after {KINDS[ranked[0].kind]}{held}"


def _own_rate(library: SoundLibrary, index: int, channels: int, fallback: int) -> int:
    """Return the first rate that the hardware itself can play."""
    for rate in _PLAYABLE_RATES:
        for count in (min(channels, 2), channels):
            try:
                library.check_output_settings(index, channels=count, samplerate=rate)
            except Exception:  # noqa: BLE001 - PortAudio's own error, whose module may be absent
                continue
            return rate
    return fallback


def _kind(name: str, hardware: re.Match[str] | None, proc: Path, sys: Path) -> Kind:
    if hardware is None:
        if _WORDS[0][1].search(name):
            return "bluetooth"
        return "server" if _SERVERS.search(name) else "other"
    number = hardware[1]
    text = name + " " + _card_line(number, proc)
    for kind, pattern in _WORDS[:3]:
        if pattern.search(text):
            return kind
    if (proc / f"asound/card{number}/usbid").exists():
        return "usb"
    if "/usb" in os.path.realpath(sys / f"class/sound/card{number}/device"):
        return "usb"
    for kind, pattern in _WORDS[3:]:
        if pattern.search(text):
            return kind
    # What is left of a board's own cards hangs on its I2S pins; their names follow no rule.
    return "soldered"


def _card_line(number: str, proc: Path) -> str:
    """Return the kernel's line on a card; empty where the kernel shows none."""
    try:
        lines = (proc / "asound/cards").read_text(errors="replace").splitlines()
    except OSError:
        return ""
    return next((line for line in lines if line.split("[")[0].strip() == number), "")


def _holder(hardware: re.Match[str], proc: Path) -> str:
    """Return the program that plays on the hardware now."""
    number, device = hardware.groups()
    for status in sorted((proc / f"asound/card{number}/pcm{device}p").glob("sub*/status")):
        try:
            owner = re.search(r"owner_pid\s*:\s*(\d+)", status.read_text())
            if owner:
                return _program(owner[1], proc)
        except OSError:
            continue
    return ""


def _program(pid: str, proc: Path) -> str:
    try:
        # owner_pid is a thread's; its directory is there all the same.
        return f"{(proc / pid / 'comm').read_text().strip()} (process {pid})"
    except OSError:
        return f"process {pid}"
