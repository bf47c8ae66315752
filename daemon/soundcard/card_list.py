"""The sound cards there are now, as the sound library and the kernel know them.

Units: rates in frames per second.
Threads: any; `list_cards` is as fresh as the process's first use of PortAudio, `there` is of now.

PortAudio names the devices, but for those that somebody plays on; what kind of card one is, and
who holds it, the kernel tells.
"""

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from daemon.errors import DeviceError
from daemon.linux.sound_devices import KernelCard, holder, in_use, kernel_cards, may_play, playbacks
from daemon.soundcard.card import HARDWARE, Card, Kind

_SERVERS = re.compile(r"\b(?:pulse|pipewire|jack)\b", re.IGNORECASE)
_WORDS: tuple[tuple[Kind, re.Pattern[str]], ...] = (
    ("bluetooth", re.compile(r"blue(?:tooth|alsa|z)|a2dp", re.IGNORECASE)),
    ("screen", re.compile(r"hdmi|display ?port|\bDP\b", re.IGNORECASE)),
    ("other", re.compile(r"loopback|dummy", re.IGNORECASE)),
    ("usb", re.compile(r"\busb\b", re.IGNORECASE)),
    ("jack", re.compile(r"headphone|\banalog\b|\bHDA\b", re.IGNORECASE)),
)
_SHARED = "default"
_PLAYABLE_RATES = (48_000, 44_100, 96_000, 32_000)


class SoundLibrary(Protocol):
    """What is asked of the module `sounddevice`."""

    def query_devices(self) -> Sequence[Mapping[str, Any]]:
        """Return PortAudio's devices."""

    def query_hostapis(self) -> Sequence[Mapping[str, Any]]:
        """Return PortAudio's host interfaces."""

    def check_output_settings(self, device: int, channels: int, samplerate: float) -> None:
        """Raise when a device can't be opened so."""


def list_cards(
    library: SoundLibrary | None = None,
    *,
    proc: Path = Path("/proc"),
    sys: Path = Path("/sys"),
    dev: Path = Path("/dev"),
) -> list[Card]:
    """Return everything that can play: PortAudio's in its order, then what it could not open.

    Raises
    ------
    DeviceError
        When there is no PortAudio.
    """
    library = library or _portaudio()
    kernel = kernel_cards(proc, sys)
    interfaces = [str(interface["name"]) for interface in library.query_hostapis()]
    cards, seen = [], set()
    for index, device in enumerate(library.query_devices()):
        channels = int(device["max_output_channels"])
        name = str(device["name"])
        server = interfaces[device["hostapi"]].startswith("JACK")
        place = tuple(map(int, found.groups())) if (found := HARDWARE.search(name)) else None
        seen.add(place)
        if channels < 1:
            continue
        if place:
            rate = _own_rate(library, index, channels, round(device["default_samplerate"]))
            card = kernel.get(place[0], KernelCard(place[0]))
            cards.append(_hardware(card, place[1], name, proc, rate, channels, index))
            continue
        kind: Kind = "server" if server else _kind(name, None)
        rate = round(device["default_samplerate"])
        wait_ms = 1000 * float(device["default_low_output_latency"]) if server else 0.0
        cards.append(Card(name, kind, rate, channels, index, period_ms=wait_ms, identity=name))
    closed = [card for place, card in _kernels_own(kernel, proc, dev) if place not in seen]
    if any(card.holder for card in closed):
        # Whoever holds a card may share it: that is what the default device leads to then.
        cards = [replace(card, kind="server") if card.name == _SHARED else card for card in cards]
    return cards + closed


def converted(cards: Sequence[Card]) -> list[Card]:
    """Return the same cards, the hardware among them behind ALSA's own conversion of formats.

    PortAudio begins anew for it: no stream of this process may be open.
    """
    library: Any = _portaudio()
    os.environ["PA_ALSA_PLUGHW"] = "1"
    library._terminate()
    library._initialize()
    listed = {card.name: card for card in list_cards(library)}
    return [listed[card.name] for card in cards if card.name in listed]


def there(
    proc: Path = Path("/proc"), sys: Path = Path("/sys"), dev: Path = Path("/dev")
) -> list[Card]:
    """Return the cards that the kernel has and we may open, without a sound library."""
    kernel = kernel_cards(proc, sys)
    return [card for place, card in _kernels_own(kernel, proc, dev) if may_play(*place, dev)]


def _kernels_own(
    kernel: Mapping[int, KernelCard], proc: Path, dev: Path
) -> Iterator[tuple[tuple[int, int], Card]]:
    """Yield every place that plays, with its card as if PortAudio could not open it."""
    for number, device, words in playbacks(proc):
        card = kernel.get(number, KernelCard(number))
        # As PortAudio has it, which leaves out of the second part what the first says already.
        name = f"{card.name}: {'-' if words in card.name else words} (hw:{number},{device})"
        rate, channels = in_use(number, device, proc)
        closed = "it does not open"
        if not may_play(number, device, dev):
            closed = "only the group 'audio' may open it"
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
            except Exception:  # noqa: BLE001 - PortAudio's own error, whose module may be absent
                continue
            return rate
    return fallback


def _kind(name: str, kernel: KernelCard | None) -> Kind:
    if kernel is None:
        if _WORDS[0][1].search(name):
            return "bluetooth"
        return "server" if _SERVERS.search(name) else "other"
    text = f"{name} {kernel.about}"
    for kind, pattern in _WORDS[:3]:
        if pattern.search(text):
            return kind
    if kernel.usb:
        return "usb"
    for kind, pattern in _WORDS[3:]:
        if pattern.search(text):
            return kind
    # What is left of a board's own cards hangs on its I2S pins; their names follow no rule.
    return "soldered"
