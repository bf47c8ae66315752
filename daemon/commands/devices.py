"""The command ``partiald devices``: controllers and sound cards, which would play, and why."""

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress

from config.settings import Settings
from config.toml.printable import printable
from daemon.errors import DeviceError
from daemon.fault_lines import tell_fault
from daemon.linux.stderr import captured_stderr
from daemon.midi.port_choice import PortChoice, choose_ports, device_of, serial_of
from daemon.midi.rtmidi_ports import RtMidiPorts
from daemon.soundcard.alsa_control import ControlDevice
from daemon.soundcard.card import KINDS, Card, choose_card, why_none
from daemon.soundcard.card_list import list_cards
from daemon.soundcard.mixer import findings
from daemon.storage.settings_files import SettingsFiles

_MARK = {True: "plays", False: "-"}


def run(arguments: argparse.Namespace) -> int:
    """Write both tables; what can't be seen is reported in a line."""
    loaded = SettingsFiles(arguments.settings).load()
    for fault in loaded.faults:
        tell_fault(f"{fault}; left out")
    sys.stdout.write(_controllers(loaded.settings) + "\n" + _cards(loaded.settings))
    return 0


def controllers_table(
    names: Sequence[str],
    wanted: str,
    system: str,
    wanted_serial: str = "",
    serial_of: Callable[[str], str] = lambda port: "",
) -> str:
    """Return the MIDI inputs as lines; ``system`` is where they were looked for."""
    choices = choose_ports(names, wanted, wanted_serial, serial_of)
    if not choices:
        where = f"{system} has no MIDI input" if system else "no ALSA sequencer, no JACK server"
        return f"Controllers: none seen: {where}\n"
    rows = [
        (_MARK[choice.chosen], _shown(choice, serial_of(choice.name)), choice.why)
        for choice in choices
    ]
    table = f"Controllers ({system}):\n" + _table(rows)
    if (wanted or wanted_serial) and not any(choice.chosen for choice in choices):
        asked = f"'{printable(wanted)}'" if wanted else f"number '{printable(wanted_serial)}'"
        key = "serial" if wanted_serial else "name"
        table += f"  no controller matches {asked}; change or empty [controller] {key}\n"
    return table


def cards_table(cards: Sequence[Card], wanted: str) -> str:
    """Return the sound cards as lines."""
    if not cards:
        return f"Sound cards: none seen: {why_none(cards, wanted)}\n"
    chosen, verdicts = choose_card(cards, wanted)
    rows = [
        (
            _MARK[verdict.chosen],
            verdict.card.name,
            KINDS[verdict.card.kind],
            f"{verdict.card.rate:,} Hz" if verdict.card.rate else "",
            f"{verdict.card.channels} ch" if verdict.card.channels else "",
            verdict.reason if verdict.reason != KINDS[verdict.card.kind] else "",
        )
        for verdict in verdicts
    ]
    table = "Sound cards:\n" + _table(rows)
    return table if chosen else table + f"  {why_none(cards, wanted)}\n"


def mixer_lines(cards: Sequence[Card]) -> str:
    """Return a line for what each card's own switches and volumes would do to the sound."""
    lines = []
    for number, name in {card.number: card.name for card in cards if card.number >= 0}.items():
        with suppress(OSError), ControlDevice(number) as mixer:
            found = findings(mixer.elements())
            lines += [f"  on '{name}' {each.line(corrected=False)}\n" for each in found]
    return "".join(lines)


def _shown(choice: PortChoice, serial: str) -> str:
    name, client = device_of(choice.name)
    marks = [f"ALSA client {client}"] * bool(client) + [f"number {serial}"] * bool(serial)
    return f"{name} ({', '.join(marks)})" if marks else name


def _controllers(settings: Settings) -> str:
    try:
        with captured_stderr():
            ports = RtMidiPorts()
            names = ports.names()
            ports.close()
    except DeviceError as fault:
        return f"Controllers: none seen: {fault}\n"
    wanted = settings.controller
    return controllers_table(names, wanted.name, ports.system, wanted.serial, serial_of)


def _cards(settings: Settings) -> str:
    os.environ.setdefault("JACK_NO_START_SERVER", "1")
    try:
        with captured_stderr():
            cards = list_cards()
    except DeviceError as fault:
        return f"Sound cards: none seen: {fault}\n"
    return cards_table(cards, settings.audio.device) + mixer_lines(cards)


def _table(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return "".join(
        "  "
        + "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
        + "\n"
        for row in rows
    )
