"""Status, devices and incoming messages in words."""

import copy
import json
import re
from pathlib import Path
from typing import Any

import pytest

from daemon.commands.devices import cards_table, controllers_table
from daemon.diagnosis.readable import readable_status
from daemon.soundcard.card import Card
from tests.support.command import ROOT, fault_of, partiald
from tests.support.virtual_daemon import VirtualDaemon
from voices.notes.note_count import ACCOUNTS

STATUS: dict[str, Any] = {
    "format": 1,
    "process": 321,
    "boot": 12,
    "running_s": 3725.2,
    "state": "playing",
    "reason": "",
    "controllers": [{"number": 1, "name": "Cargo Bike Keys 25"}],
    "wanted_controller": "",
    "output": {
        "card": {"name": "USB Audio", "kind": "usb", "rate": 48_000, "channels": 2},
        "closed": [],
        "sample_rate": 48_000,
        "delay_ms": 2.7,
    },
    "sound": "market-organ",
    "polyphony": 16,
    "voices": {"now": 3, "peak": 9},
    "partials": 24,
    "most_partials": 0,
    "block": {
        "frames": 64,
        "deadline_us": 1333,
        "p50_us": 40,
        "p99_us": 133,
        "max_us": 400,
    },
    "blocks": 100,
    "underflows": 1,
    "late_messages": 0,
    "silenced_blocks": 0,
    "messages": 1234,
    "notes": {
        "received": 20,
        "accounts": dict.fromkeys(ACCOUNTS, 0) | {"sounding": 3, "released": 16, "stolen": 1},
    },
    "health": {
        "temperature_c": 61.3,
        "clock_mhz": 1800,
        "slowed": False,
        "undervoltage": True,
        "battery_percent": 62,
        "battery_left_h": 3.5,
        "warnings": ["the supply voltage is too low: a stronger supply"],
    },
    "settings": {"files": [], "faults": ["f.toml: polyphony = 0: must be 1 to 256"]},
}


def test_status_reads_at_a_glance() -> None:
    assert readable_status(STATUS).splitlines() == [
        "running      1 h 2 min, process 321, boot 12",
        "controllers  Cargo Bike Keys 25",
        "sound card   USB Audio, 48,000 Hz, 64-frame blocks, 2.7 ms to the card",
        "sound        market-organ, up to 16 notes at once",
        "voices       3 now (24 partials), 9 at most so far, tails included",
        "block time   half within 3 %, 99 of 100 within 10 %, longest 30 % of 1.33 ms",
        "timing       1 underflow, 0 of 1,234 messages late",
        "notes        20 notes received",
        "               sounding        3",
        "               released       16",
        "               stolen          1",
        "board        61 °C, battery 62 %, about 3.5 h left",
        "board        the supply voltage is too low: a stronger supply",
        "settings     f.toml: polyphony = 0: must be 1 to 256",
    ]


def test_status_says_why_nothing_sounds_and_what_the_governor_allows() -> None:
    silent = STATUS | {"output": None, "reason": "no sound card", "controllers": []}
    assert "sound card   silent: no sound card" in readable_status(silent)
    assert "controllers  none seen" in readable_status(silent)
    assert "none matches 'bells'" in readable_status(silent | {"wanted_controller": "bells"})
    assert "(24 partials, 512 allowed at this load)" in readable_status(
        STATUS | {"most_partials": 512}
    )


def test_status_says_that_a_speaker_by_radio_is_late() -> None:
    speaking = copy.deepcopy(STATUS)
    speaking["output"]["card"]["kind"] = "bluetooth"
    assert "2.7 ms to the radio: for listening, 150 ms or more late" in readable_status(speaking)


@pytest.mark.gig
def test_without_a_daemon_status_is_one_line_and_fails(tmp_path: Path) -> None:
    done = partiald("status", "--json", cwd=tmp_path, RUNTIME_DIRECTORY=str(tmp_path))
    assert "partiald run" in fault_of(done)


def test_what_status_writes_is_json() -> None:
    assert json.loads(json.dumps(STATUS)) == STATUS


def test_devices_shows_what_would_be_chosen_and_why() -> None:
    ports = ["Midi Through:Midi Through Port-0 14:0", "Cargo Bike Keys 25:Keys MIDI 1 20:0"]
    table = controllers_table(ports, "", "ALSA").splitlines()
    assert table[0] == "Controllers (ALSA):"
    assert table[1].startswith("  -      Midi Through")
    assert table[2].startswith("  plays  Cargo Bike Keys 25")
    assert "no controller matches 'bells'" in controllers_table(ports, "bells", "ALSA")
    assert controllers_table([], "", "") == (
        "Controllers: none seen: no ALSA sequencer, no JACK server\n"
    )


def test_a_usb_card_comes_before_the_board_s_own_and_a_screen_is_never_chosen() -> None:
    cards = [
        Card(name="Monitor", kind="screen", rate=48_000, channels=2, index=0),
        Card(name="Headphones", kind="jack", rate=48_000, channels=2, index=1),
        Card(name="USB Audio", kind="usb", rate=48_000, channels=2, index=2),
    ]
    table = cards_table(cards, "").splitlines()
    assert [line.split()[0] for line in table[1:]] == ["-", "-", "plays"]
    assert [line.split()[0] for line in cards_table(cards[:1], "").splitlines()[1:2]] == ["-"]


def keys(plain: Any, prefix: str = "") -> set[str]:
    """Every dotted key; lists of tables as ``name[].key``."""
    found: set[str] = set()
    for key, value in plain.items():
        tables = isinstance(value, list) and value and isinstance(value[0], dict)
        if tables or (isinstance(value, dict) and key != "accounts"):
            inner = value[0] if tables else value
            found |= keys(inner, f"{prefix}{key}{'[]' * bool(tables)}.")
        else:
            found.add(prefix + key)
    return found


def test_the_keys_of_the_json_are_those_that_its_page_lists(tmp_path: Path) -> None:
    status = VirtualDaemon().with_keys().keeper.status()
    page = (ROOT / "docs/status.md").read_text("utf-8")
    told = {
        key
        for line in page.splitlines()
        if line.startswith("| `")
        for key in re.findall(r"`([\w.\[\]]+)`", line.split(" | ")[0])
    }
    assert keys(status) == told - {"output"}
    assert keys(STATUS) == keys(status)
    assert status["format"] == 1
    assert json.loads(json.dumps(status)) == status
