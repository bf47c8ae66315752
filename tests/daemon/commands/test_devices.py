"""``partiald devices``: what is seen, what would play, and why; with nothing there, and JACK."""

from pathlib import Path

import pytest

from daemon.commands.devices import cards_table, controllers_table
from daemon.soundcard.card import Card, Kind
from tests.support.command import partiald
from tests.support.jack_server import JackServer
from tests.support.virtual_controller import NAME, VirtualController

NOBODY = "nobody-there"
"""A name that no JACK server has."""
# Stand-ins for the libraries' modules, so that it does not matter what this machine has.
NO_CARDS = """
def query_devices(): return []
def query_hostapis(): return []
"""
NO_INPUTS = """
class RtMidiError(Exception): pass
API_LINUX_ALSA, API_UNIX_JACK = 1, 2
def MidiIn(interface, name): raise RtMidiError("no system")
"""
KEYS = f"{NAME}:{NAME} MIDI 1 20:0"
THROUGH = "Midi Through:Midi Through Port-0 14:0"


def card(name: str, kind: Kind, rate: int = 48_000, channels: int = 2, holder: str = "") -> Card:
    return Card(name, kind, rate, channels, index=0, holder=holder)


def test_a_controller_that_would_play_is_marked_and_each_has_its_reason() -> None:
    lines = controllers_table([THROUGH, KEYS], "", "ALSA").splitlines()
    assert lines == [
        "Controllers (ALSA):",
        "  -      Midi Through (ALSA client 14)        a through port: it repeats what others play",
        "  plays  Cargo Bike Keys 25 (ALSA client 20)  a controller",
    ]


def test_two_controllers_alike_are_told_apart_by_their_serial_numbers() -> None:
    other = KEYS.replace("20:0", "24:0")
    sockets = {KEYS: "A-1", other: "B-2"}
    lines = controllers_table([KEYS, other], "", "ALSA", "B-2", sockets.__getitem__).splitlines()
    assert lines[1] == f"  -      {NAME} (ALSA client 20, number A-1)  not number 'B-2'"
    assert lines[2].strip().startswith(f"plays  {NAME} (ALSA client 24, number B-2)")
    nobody = controllers_table([KEYS], "", "ALSA", "C-3", sockets.__getitem__)
    assert "no controller matches number 'C-3'; change or empty [controller] serial" in nobody


def test_a_name_that_fits_no_controller_is_reported_below_the_table() -> None:
    table = controllers_table([THROUGH, KEYS], "bell", "ALSA")
    assert "plays" not in table
    assert table.splitlines()[-1] == (
        "  no controller matches 'bell'; change or empty [controller] name"
    )


def test_an_empty_sequencer_is_told_apart_from_none_at_all() -> None:
    assert controllers_table([], "", "ALSA") == "Controllers: none seen: ALSA has no MIDI input\n"
    assert controllers_table([], "", "") == (
        "Controllers: none seen: no ALSA sequencer, no JACK server\n"
    )


def test_the_best_card_is_marked_and_each_has_kind_rate_channels_and_reason() -> None:
    cards = [
        card("Monitor", "screen", channels=8),
        card("Headphones", "jack", rate=44_100),
        card("Street Audio", "usb", holder="brass (process 12)"),
    ]
    lines = cards_table(cards, "").splitlines()
    assert lines[0] == "Sound cards:"
    assert [line.split()[0] for line in lines[1:]] == ["-", "-", "plays"]
    assert "8 ch  a screen is only played by name" in lines[1]
    assert "44,100 Hz" in lines[2]
    assert lines[3].endswith("2 ch  USB audio; held by brass (process 12)")


def test_columns_stand_under_each_other() -> None:
    cards = [card("A", "usb"), card("A card with a much longer name", "screen")]
    lines = cards_table(cards, "").splitlines()[1:]
    assert len({line.index("48,000 Hz") for line in lines}) == 1
    assert not any(line.endswith(" ") for line in lines)


def test_cards_of_which_none_is_chosen_automatically_are_reported_with_what_to_do() -> None:
    table = cards_table([card("Monitor", "screen")], "")
    assert "plays" not in table.replace("only played", "")
    assert table.splitlines()[-1].startswith(
        "  no sound card that is played automatically; name one"
    )
    assert cards_table([card("Monitor", "screen")], "organ").splitlines()[-1] == (
        "  no sound card matches 'organ'; present: 'Monitor'"
    )


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """Return a folder of modules that see nothing."""
    folder = tmp_path / "modules"
    folder.mkdir()
    (folder / "sounddevice.py").write_text(NO_CARDS)
    (folder / "rtmidi.py").write_text(NO_INPUTS)
    return folder


@pytest.mark.gig
def test_with_nothing_there_each_table_is_one_line_and_all_is_well(
    tmp_path: Path, bare: Path
) -> None:
    done = partiald("devices", cwd=tmp_path, front=bare)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        "Controllers: none seen: no ALSA sequencer, no JACK server",
        "",
        "Sound cards: none seen: no sound card and no sound server",
    ]


@pytest.mark.gig
def test_the_real_libraries_complaints_are_kept_from_the_user(tmp_path: Path) -> None:
    done = partiald("devices", cwd=tmp_path, JACK_DEFAULT_SERVER=NOBODY)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Controllers")
    assert "\n\nSound cards" in done.stdout


@pytest.mark.gig
@pytest.mark.parametrize(
    ("module", "fault", "title", "remedy"),
    [
        ("rtmidi", "ImportError", "Controllers", "apt install python3-rtmidi"),
        ("sounddevice", "ImportError", "Sound cards", "apt install libportaudio2"),
        # As sounddevice does without the library in C.
        ("sounddevice", "OSError", "Sound cards", "apt install libportaudio2"),
    ],
)
def test_a_library_that_is_missing_is_reported_with_its_remedy_and_hides_no_other_table(
    tmp_path: Path, bare: Path, module: str, fault: str, title: str, remedy: str
) -> None:
    (bare / f"{module}.py").write_text(f"raise {fault}('no such library')\n")
    done = partiald("devices", cwd=tmp_path, front=bare)
    assert (done.returncode, done.stderr) == (0, "")
    lines = [line for line in done.stdout.splitlines() if line]
    assert len(lines) == 2
    (line,) = [line for line in lines if line.startswith(f"{title}: none seen: ")]
    assert "no such library" in line
    assert remedy in line
    (other,) = [each for each in lines if each != line]
    assert "no such library" not in other


@pytest.mark.gig
def test_a_real_controller_and_a_real_server_are_shown_and_would_play(
    jack_server: JackServer, tmp_path: Path
) -> None:
    with VirtualController():
        done = partiald("devices", cwd=tmp_path)
        assert (done.returncode, done.stderr) == (0, "")
        lines = done.stdout.splitlines()
        assert lines[:2] == ["Controllers (JACK):", f"  plays  {NAME}  a controller"]
        assert lines[3:] == [
            "Sound cards:",
            "  plays  system  sound server  48,000 Hz  2 ch",
        ]
        settings = tmp_path / "partiald.toml"
        settings.write_text('[controller]\nname = "bell"\n[audio]\ndevice = "organ"\n')
        narrowed = partiald("--settings", settings, "devices", cwd=tmp_path).stdout
    assert "plays" not in narrowed.split("Sound cards")[0]
    assert "no controller matches 'bell'" in narrowed
    assert "plays  system" in narrowed
    assert "sound server; no card matches 'organ'" in narrowed


@pytest.mark.gig
def test_a_faulty_settings_file_is_named_and_left_out(tmp_path: Path, bare: Path) -> None:
    settings = tmp_path / "partiald.toml"
    settings.write_text('polyphony = 0\n[controller]\nname = "bell"\n')
    done = partiald("--settings", settings, "devices", cwd=tmp_path, front=bare)
    assert done.returncode == 0
    assert (
        done.stderr == f"partiald: {settings}: line 1: polyphony = 0: must be 1 to 256; left out\n"
    )
    assert done.stdout.startswith("Controllers: none seen")
