"""The sound cards that are present, as the sound library and the kernel list them.

Units: rates in frames per second.
Threads: any. `list_cards` is as fresh as the process's first use of PortAudio; `present_cards` is
always current.

PortAudio names the devices, except those that another program plays on; the kernel knows which kind
of card one is, and who holds it.
"""

import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from config.toml.printable import printable
from daemon.errors import DeviceError
from daemon.linux.sound_devices import (
    KernelCard,
    current_format,
    holder,
    kernel_cards,
    may_open,
    playback_devices,
)
from daemon.soundcard.card import HARDWARE, Card, Kind
from daemon.soundcard.speakers import connected_speakers

_SERVERS = re.compile(r"\b(?:pulse|pipewire|jack)\b", re.IGNORECASE)
_KIND_WORDS: tuple[tuple[Kind, re.Pattern[str]], ...] = (
    ("bluetooth", re.compile(r"blue(?:tooth|alsa|z)|a2dp", re.IGNORECASE)),
    ("screen", re.compile(r"hdmi|display ?port|\bDP\b", re.IGNORECASE)),
    ("other", re.compile(r"loopback|dummy", re.IGNORECASE)),
    ("usb", re.compile(r"\busb\b", re.IGNORECASE)),
    ("jack", re.compile(r"headphone|\banalog\b|\bHDA\b", re.IGNORECASE)),
)
_SHARED = "default"
_PLAYABLE_RATES = (48_000, 44_100, 96_000, 32_000)

NOT_OURS = "only the group 'audio' may open it"


class SoundLibrary(Protocol):
    """The part of the module `sounddevice` that is used here."""

    def query_devices(self) -> Sequence[Mapping[str, Any]]:
        """Return PortAudio's devices."""

    def query_hostapis(self) -> Sequence[Mapping[str, Any]]:
        """Return PortAudio's host interfaces."""

    def check_output_settings(self, device: int, channels: int, samplerate: float) -> None:
        """Raise when a device can't be opened with these."""


def list_cards(
    library: SoundLibrary | None = None,
    *,
    proc: Path = Path("/proc"),
    sys: Path = Path("/sys"),
    dev: Path = Path("/dev"),
    bluetooth: Callable[[], list[Card]] = connected_speakers,
) -> list[Card]:
    """Return everything that can play: PortAudio's list, the cards it could not open, speakers.

    Raises
    ------
    DeviceError
        When there is no PortAudio.
    """
    library = library or _portaudio()
    kernel = kernel_cards(proc, sys)
    interfaces = [str(interface["name"]) for interface in library.query_hostapis()]
    cards, listed = [], set()
    for index, device in enumerate(library.query_devices()):
        channels = int(device["max_output_channels"])
        name = printable(str(device["name"]))
        server = interfaces[device["hostapi"]].startswith("JACK")
        hardware = tuple(map(int, found.groups())) if (found := HARDWARE.search(name)) else None
        listed.add(hardware)
        if channels < 1:
            continue
        if hardware:
            rate = _own_rate(library, index, channels, round(device["default_samplerate"]))
            card = kernel.get(hardware[0], KernelCard(hardware[0]))
            cards.append(_hardware(card, hardware[1], name, proc, rate, channels, index))
            continue
        kind: Kind = "server" if server else _kind(name, None)
        rate = round(device["default_samplerate"])
        wait_ms = 1000 * float(device["default_low_output_latency"]) if server else 0.0
        cards.append(Card(name, kind, rate, channels, index, period_ms=wait_ms, identity=name))
    closed = [card for pair, card in _kernel_list(kernel, proc, dev) if pair not in listed]
    if any(card.holder for card in closed):
        # The holder may share its card: the default device leads to it then.
        cards = [replace(card, kind="server") if card.name == _SHARED else card for card in cards]
    return cards + closed + bluetooth()


def with_conversion(cards: Sequence[Card]) -> list[Card]:
    """Return the same cards, the hardware among them opened through ALSA's format conversion.

    PortAudio is restarted for it: no stream of this process may be open.
    """
    library: Any = _portaudio()
    os.environ["PA_ALSA_PLUGHW"] = "1"
    library._terminate()
    library._initialize()
    listed = {card.name: card for card in list_cards(library)}
    return [listed[card.name] for card in cards if card.name in listed]


def present_cards(
    proc: Path = Path("/proc"), sys: Path = Path("/sys"), dev: Path = Path("/dev")
) -> list[Card]:
    """Return the kernel's cards that we may open, without the sound library."""
    kernel = kernel_cards(proc, sys)
    return [card for pair, card in _kernel_list(kernel, proc, dev) if may_open(*pair, dev)]


def _kernel_list(
    kernel: Mapping[int, KernelCard], proc: Path, dev: Path
) -> Iterator[tuple[tuple[int, int], Card]]:
    """Yield card and device number of all that can play, with the card as if it would not open."""
    for number, device, words in playback_devices(proc):
        card = kernel.get(number, KernelCard(number))
        # PortAudio's name, whose second part is '-' where it would repeat the first.
        name = f"{card.name}: {'-' if words in card.name else words} (hw:{number},{device})"
        rate, channels = current_format(number, device, proc)
        closed = "it does not open"
        if not may_open(number, device, dev):
            closed = NOT_OURS
        yield (number, device), _hardware(card, device, name, proc, rate, channels, -1, closed)


def _hardware(
    card: KernelCard,
    device: int,
    name: str,
    proc: Path,
    rate: int,
    channels: int,
    index: int,
    closed: str = "",
) -> Card:
    program = holder(card.number, device, proc)
    return Card(
        *(name, _kind(name, card), rate, channels, index),
        holder=program,
        closed=f"held by {program}" if closed and program else closed,
        number=card.number,
        identity=f"{card.identity} {device}",
    )


def _portaudio() -> SoundLibrary:
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        fault = f"no sound without PortAudio ({error}); on Debian: apt install libportaudio2"
        raise DeviceError(fault) from error
    library: SoundLibrary = sounddevice
    return library


def _own_rate(library: SoundLibrary, index: int, channels: int, fallback: int) -> int:
    """Return the first rate that the hardware itself can play."""
    for rate in _PLAYABLE_RATES:
        for count in (min(channels, 2), channels):
            try:
                library.check_output_settings(index, channels=count, samplerate=rate)
            except Exception:  # noqa: BLE001 - PortAudio's error, whose module may be absent
                continue
            return rate
    return fallback


def _kind(name: str, kernel: KernelCard | None) -> Kind:
    if kernel is None:
        if _KIND_WORDS[0][1].search(name):
            return "bluetooth"
        return "server" if _SERVERS.search(name) else "other"
    text = f"{name} {kernel.about}"
    for kind, pattern in _KIND_WORDS[:3]:
        if pattern.search(text):
            return kind
    if kernel.usb:
        return "usb"
    for kind, pattern in _KIND_WORDS[3:]:
        if pattern.search(text):
            return kind
    # A board's remaining cards are on its I2S pins; their names follow no rule.
    return "soldered"
