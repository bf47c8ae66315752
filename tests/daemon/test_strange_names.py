"""Names that strangers give: the same printable line wherever they are shown."""

import logging
from pathlib import Path

import pytest

from daemon import log
from daemon.commands.devices import cards_table, controllers_table
from daemon.commands.listen import Listening
from daemon.keeper.status_fields import sentence
from daemon.midi.port_choice import choose_ports
from daemon.midi.simulated import SimulatedPorts
from daemon.soundcard.card_list import list_cards
from daemon.storage.event_file import ENTRY, EventFile, boot_events, read
from tests.support.board_library import BoardLibrary
from tests.support.virtual_daemon import VirtualDaemon

# It would set the terminal's title, ring, clear the screen (by a C1 control), write backwards, and
# begin a line of its own.
NAME = "Keys\x1b]0;mine\x07\x9b2J\u202e\n25"
SHOWN = r"Keys\x1b]0;mine\x07\x9b2J\u202e\n25"
PORT = f"{NAME}:{NAME} MIDI 1 20:0"


def test_a_controllers_name_is_the_same_in_devices_listen_log_and_status(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    daemon = VirtualDaemon()
    parts = daemon.supervisor, daemon.controllers
    daemon.ports.plug(PORT)
    daemon.keeper.start()
    daemon.run(1.0)
    status = daemon.keeper.status()
    assert SHOWN in sentence(*parts)
    daemon.ports.unplug(PORT)
    daemon.run(1.0)
    heard = SimulatedPorts()
    heard.plug(PORT)
    listening = Listening(heard, "", lambda: 0)
    lines = [
        *controllers_table([PORT], "", "ALSA").splitlines()[1:],
        *listening.lines(0.0),
        *(message for message in caplog.messages if "Keys" in message),
        sentence(*parts),
        status["controllers"][0]["name"],
    ]
    assert len(lines) > 5
    assert all(SHOWN in line for line in lines if line != sentence(*parts))
    assert all(line.isprintable() for line in lines)


def test_a_name_as_it_is_shown_chooses_the_controller() -> None:
    assert choose_ports([PORT], SHOWN[5:14])[0].chosen


def test_the_journal_gets_a_line_of_text_for_any_name(tmp_path: Path) -> None:
    """Unprintable characters make ``[18B blob data]`` of a message: journalctl(1), ``--all``."""
    record = logging.LogRecord("daemon.x", logging.INFO, "", 0, "'%s' found", (NAME,), None)
    line = log.Lines(journal=True).format(record)
    assert line == f"<6>x: '{SHOWN}' found"


def test_a_cards_name_and_its_holders_are_printable(tmp_path: Path) -> None:
    proc = tmp_path / "proc"
    (proc / "asound/card0/pcm0p/sub0").mkdir(parents=True)
    (proc / "asound/cards").write_text(" 0 [Audio          ]: USB-Audio - Organ\x1b[2J\x85Box\n")
    (proc / "asound/pcm").write_text("00-00: Organ\x07 : x : playback 1\n")
    (proc / "asound/card0/pcm0p/sub0/status").write_text("owner_pid   : 7\n")
    (proc / "7").mkdir()
    (proc / "7/comm").write_text("ra\x1bdio\n")
    cards = list_cards(
        BoardLibrary("Street\x1b[31m Audio: - (hw:1,0)"), proc=proc, sys=tmp_path, dev=tmp_path
    )
    assert [card.name for card in cards] == [
        r"Street\x1b[31m Audio: - (hw:1,0)",
        r"Organ\x1b[2J\x85Box: Organ\x07 (hw:0,0)",
    ]
    assert cards[1].holder == r"ra\x1bdio (process 7)"
    assert all(line.isprintable() for line in cards_table(cards, "").splitlines())


def test_a_name_cannot_claim_to_be_another_cards_hardware(tmp_path: Path) -> None:
    """The kernel's number stands at the end of PortAudio's name, whatever the name says before."""
    (card,) = list_cards(
        BoardLibrary("Organ (hw:0,0) Box: - (hw:3,0)"), proc=tmp_path, sys=tmp_path, dev=tmp_path
    )
    assert card.number == 3


def test_what_an_older_version_kept_is_read_printable(tmp_path: Path) -> None:
    path = tmp_path / "happened"
    events = EventFile(path, "one")
    events.begin(1, 0)
    events.write([(ENTRY, 2, f"'{NAME}' lost")], 1)
    assert boot_events(read(path), 1).entries[0].text == f"'{SHOWN}' lost"
