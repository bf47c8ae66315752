import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from select import select

import pytest

from daemon.errors import DeviceError
from daemon.midi.port_choice import choose_ports, device_of, serial_of
from daemon.midi.ports import NoPorts
from daemon.midi.rtmidi_ports import RtMidiPorts, read_twice
from tests.support.command import ROOT
from tests.support.jack_server import JackServer
from tests.support.virtual_controller import PORT, VirtualController
from tests.support.waiting import next_line, wait_until

# As rtmidi writes the ports of ALSA's sequencer: client, port, the two numbers.
KEYS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0"
KNOBS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 2 20:1"
THROUGH = "Midi Through:Midi Through Port-0 14:0"


pytestmark = pytest.mark.needs("rtmidi")


@pytest.mark.parametrize(
    ("port", "expected"),
    [
        (KEYS, ("Cargo Bike Keys 25", "20")),
        (KNOBS, ("Cargo Bike Keys 25", "20")),
        ("Cargo Bike Keys 25:MIDI 1", ("Cargo Bike Keys 25", "")),
        ("system:midi_capture_1", ("system:midi_capture_1", "")),
        ("Bell Pedals", ("Bell Pedals", "")),
        ("", ("", "")),
    ],
)
def test_a_port_belongs_to_a_device(port: str, expected: tuple[str, str]) -> None:
    assert device_of(port) == expected


def test_every_real_controller_is_played() -> None:
    names = [
        *(THROUGH, KEYS, KNOBS, "partiald:in 128:0", "partiald-01:in", "System:Announce 0:1"),
        *("System:Timer 0:0", "system:midi_capture_1"),
    ]
    assert [c.name for c in choose_ports(names) if c.chosen] == [
        KEYS,
        KNOBS,
        "system:midi_capture_1",
    ]


@pytest.mark.parametrize(
    "wanted", ["bike keys", "CARGO", " MIDI 1 ", KEYS, KEYS.replace("20", "24")]
)
def test_a_name_narrows_by_any_part_of_it_but_the_numbers(wanted: str) -> None:
    chosen = [
        choice.name for choice in choose_ports([THROUGH, "Bell Pedals:in 28:0", KEYS], wanted)
    ]
    assert chosen == [THROUGH, "Bell Pedals:in 28:0", KEYS]
    assert [c.chosen for c in choose_ports([THROUGH, "Bell Pedals:in 28:0", KEYS], wanted)] == [
        *(False, False, True)
    ]


def test_a_number_is_no_part_of_a_name() -> None:
    assert not choose_ports([KEYS], "20:0")[0].chosen


def test_a_through_port_is_not_played_even_by_name() -> None:
    assert [c.chosen for c in choose_ports([THROUGH], "through")] == [False]


@pytest.mark.parametrize(
    "port",
    [
        "system:midi_playback_1",
        "Bridge:Organ Box (playback): MIDI 1",
        "Bridge:Organ Box:(playback_0) MIDI 1",
    ],
)
def test_a_playback_port_of_jack_is_no_controller(port: str) -> None:
    (choice,) = choose_ports([port], "organ" if "Organ" in port else "")
    assert choice == (port, False, "a playback port: it takes what others play")
    for name in (port.replace("playback", "capture"), "Playback Pads:in", "Playback:a 20:0"):
        assert choose_ports([name])[0].chosen


def test_a_program_s_port_is_only_played_by_name() -> None:
    bridge = "Stage Bridge:Network 129:0"
    assert choose_ports([bridge, KEYS]) == [
        (bridge, False, "a program: only played by name"),
        (KEYS, True, "a controller"),
    ]
    assert [c.chosen for c in choose_ports([bridge, KEYS], "stage bridge")] == [True, False]
    assert [c.chosen for c in choose_ports([bridge.replace("129", "127")])] == [True]


@pytest.mark.gig
def test_over_jack_only_what_sends_is_played(jack_server: JackServer, ports: RtMidiPorts) -> None:
    with VirtualController(), VirtualController("Organ Box", "midi_playback_1"):
        wait_until(lambda: len(ports.names()) == 2)
        chosen = [choice.name for choice in choose_ports(ports.names()) if choice.chosen]
        assert chosen == [PORT]


def test_every_verdict_says_why() -> None:
    whys = [c.why for c in choose_ports([THROUGH, KEYS, "Bell Pedals:in 28:0"], "bike")]
    assert whys == [
        "a through port: it repeats what others play",
        "named 'bike'",
        "not named 'bike'",
    ]


def test_without_the_library_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    with pytest.raises(DeviceError, match=r"pip install python-rtmidi.*apt install") as fault:
        RtMidiPorts()
    assert "\n" not in str(fault.value)


def test_no_library_is_no_ports() -> None:
    ports = NoPorts()
    assert ports.names() == []
    with pytest.raises(OSError, match="no MIDI input"):
        ports.open(KEYS, lambda message, time_us: None)


@pytest.fixture
def ports(tmp_path: Path) -> Iterator[RtMidiPorts]:
    made = RtMidiPorts(sound_devices=tmp_path)
    yield made
    made.close()


def test_without_any_server_there_are_no_ports(
    ports: RtMidiPorts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "partiald-none")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    assert ports.names() == []
    assert ports.system == ""
    with pytest.raises(OSError, match="no MIDI input"):
        ports.open(KEYS, lambda message, time_us: None)


@pytest.fixture
def controller(jack_server: JackServer) -> Iterator[VirtualController]:
    with VirtualController() as plugged:
        yield plugged


@pytest.mark.gig
def test_messages_come_with_their_time(controller: VirtualController, ports: RtMidiPorts) -> None:
    heard: list[tuple[list[int], int]] = []
    wait_until(lambda: PORT in ports.names())
    assert ports.system == "JACK"
    opened = ports.open(PORT, lambda m, us: heard.append((list(m), us)))
    before_us = time.monotonic_ns() // 1000
    sent = [[0x90, 60, 100], [0xFE], [0xF0, 1, 2, 0xF7], [0x80, 60, 64]]
    for message in sent:
        controller.send(*message)
        wait_until(lambda wanted=message: wanted in [m for m, _ in heard])  # type: ignore[misc]
    after_us = time.monotonic_ns() // 1000
    assert [m for m, _ in heard] == sent
    times = [us for _, us in heard]
    assert times == sorted(times)
    assert before_us < times[0]
    assert times[-1] < after_us
    opened.close()


@pytest.mark.gig
def test_over_jack_nothing_comes_that_was_sent_before_the_port_was_opened(
    controller: VirtualController, ports: RtMidiPorts
) -> None:
    wait_until(lambda: PORT in ports.names())
    controller.send(0x90, 60, 100)
    heard: list[list[int]] = []
    opened = ports.open(PORT, lambda message, time_us: heard.append(list(message)))
    controller.send(0x90, 64, 100)
    wait_until(lambda: heard)
    opened.close()
    assert (opened.stale, heard) == (0, [[0x90, 64, 100]])


_ASKER = """
import sys, rtmidi
port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="Organ Box")
port.ignore_types(sysex=False)
port.set_callback(lambda event, _: print(bytes(event[0]).hex(), flush=True))
port.open_virtual_port("MIDI 1")
print("listening", flush=True)
sys.stdin.read()
port.delete()
"""


@pytest.mark.gig
def test_an_answer_reaches_the_device_that_asked_and_no_other(
    jack_server: JackServer, ports: RtMidiPorts
) -> None:
    asker = subprocess.Popen(
        [sys.executable, "-c", _ASKER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert asker.stdin is not None
    assert asker.stdout is not None
    try:
        assert next_line(asker) == "listening\n"
        wait_until(lambda: ports.names() is not None and ports.system == "JACK")
        answer = bytes.fromhex("f07e7f06027d0000f7")
        assert ports.output("Cargo Bike Keys 25:MIDI 1") is None
        output = ports.output("Organ Box:MIDI 1")
        assert output is not None
        # At once, and while the connection is not yet in force: it goes with a later look.
        output.send(answer)
        answers = asker.stdout
        wait_until(lambda: [ports.names(), select([answers], [], [], 0.0)[0]][1])
        assert next_line(asker) == answer.hex() + "\n"
        output.close()
    finally:
        asker.stdin.close()
        asker.wait(5)
        asker.stdout.close()


@pytest.mark.gig
def test_a_port_that_is_gone_is_refused(controller: VirtualController, ports: RtMidiPorts) -> None:
    wait_until(ports.names)
    controller.pull()
    with pytest.raises(OSError, match="no MIDI input"):
        ports.open(PORT, lambda message, time_us: None)


@pytest.mark.gig
def test_a_server_that_returns_is_found_again(jack_server: JackServer, tmp_path: Path) -> None:
    now_us = [0]
    ports = RtMidiPorts(sound_devices=tmp_path, clock_us=lambda: now_us[0])

    def names() -> list[str]:
        now_us[0] += 250_000
        return ports.names()

    heard: list[int] = []
    with VirtualController():
        wait_until(lambda: PORT in names())
        opened = ports.open(PORT, lambda message, time_us: heard.append(time_us))
        jack_server.kill()
        wait_until(lambda: names() == [])
    jack_server.start()
    with VirtualController() as controller:
        # An input that is still open keeps the old connection; see `RtMidiPorts.names`.
        assert [names() for _ in range(8)] == [[]] * 8
        opened.close()
        wait_until(lambda: PORT in names())
        opened = ports.open(PORT, lambda message, time_us: heard.append(time_us))
        controller.send(0x90, 60, 100)
        wait_until(lambda: heard)
        opened.close()
    ports.close()


@pytest.mark.gig
def test_opening_and_closing_a_hundred_times_leaks_nothing(
    controller: VirtualController, ports: RtMidiPorts
) -> None:
    wait_until(lambda: PORT in ports.names())
    ports.open(PORT, lambda message, time_us: None).close()
    before = len(os.listdir("/proc/self/fd")), len(os.listdir("/proc/self/task"))
    # JACK refuses new clients at about a hundred that were never closed.
    for _ in range(100):
        ports.open(PORT, lambda message, time_us: None).close()
    assert (len(os.listdir("/proc/self/fd")), len(os.listdir("/proc/self/task"))) == before


class Sequencer:
    """An ALSA client that lists what it is told."""

    def __init__(self, names: list[str]) -> None:
        self.names = names

    def get_ports(self) -> list[str]:
        return self.names

    def delete(self) -> None:
        pass


def test_a_device_that_came_back_between_two_looks_is_gone_until_closed(tmp_path: Path) -> None:
    node = tmp_path / "midiC1D0"
    node.touch()
    ports = RtMidiPorts(sound_devices=tmp_path)
    ports.system, ports._lister = "ALSA", Sequencer([KEYS])
    # Client 20 is the first of card 1.
    ports._lives.begin(KEYS, "ALSA")
    assert ports.names() == [KEYS]
    node.chmod(0o660)  # as udev does, a moment after the device has come; and it touches it
    node.touch()
    assert ports.names() == [KEYS]
    (tmp_path / "new").touch()
    (tmp_path / "new").rename(node)
    assert ports.names() == []
    assert ports.names() == []
    ports._lives.end(KEYS)
    assert ports.names() == [KEYS]


# As the kernel prints them: sound/core/seq/seq_clientmgr.c, snd_seq_info_clients_read.
CLIENTS = """\
Client info
  cur  clients : 4

Client  14 : "Midi Through" [Kernel Legacy]
  Port   0 : "Midi Through Port-0" (RWe-)
    Connecting To: 131:0
Client 129 : "Stage Bridge" [User Legacy]
  Port   0 : "Network" (RWe-)
    Connecting To: {}
    Connected From: 132:0
Client 130 : "partiald" [User Legacy]
  Port   0 : "in" (-We-)
    Connected From: 129:0
"""


def test_a_program_replaced_under_its_number_is_gone_until_closed(tmp_path: Path) -> None:
    bridge = "Stage Bridge:Network 129:0"
    clients = tmp_path / "asound/seq/clients"
    clients.parent.mkdir(parents=True)
    clients.write_text(CLIENTS.format("131:0"))
    ports = RtMidiPorts(sound_devices=tmp_path, proc=tmp_path)
    ports.system, ports._lister = "ALSA", Sequencer([bridge])
    ports._lives.expect(bridge)
    clients.write_text(CLIENTS.format("131:0, 130:0[r:0]"))
    ports._lives.begin(bridge, "ALSA")
    assert ports.names() == [bridge]
    clients.write_text(CLIENTS.format("130:0[r:0], 133:2"))
    assert ports.names() == [bridge], "others may come and go"
    clients.write_text(CLIENTS.format("131:0"))
    assert ports.names() == []
    ports._lives.end(bridge)
    assert ports.names() == [bridge]


OPENS_AND_CLOSES = """
import sys, time
from daemon.midi.rtmidi_ports import RtMidiPorts
ports, heard = RtMidiPorts(), []
for _ in range(60):
    heard.clear()
    while sys.argv[1] not in ports.names():
        time.sleep(0.01)
    opened = ports.open(sys.argv[1], lambda message, time_us: heard.append(message))
    while len(heard) < 5:
        time.sleep(0.001)
    opened.close()
ports.close()
"""


@pytest.mark.gig
def test_a_port_can_be_closed_while_messages_pour_in(jack_server: JackServer) -> None:
    """In a process of its own, since one that waits for itself waits without end."""
    with VirtualController() as controller:
        process = subprocess.Popen([sys.executable, "-c", OPENS_AND_CLOSES, PORT], cwd=ROOT)

        def ended() -> bool:
            for _ in range(20):
                controller.send(0xB0, 20, 1)
            return process.poll() is not None

        try:
            wait_until(ended, 30.0)
        finally:
            process.kill()
            process.wait()
    assert process.returncode == 0


def test_the_serial_number_is_that_of_the_usb_device_behind_the_client(tmp_path: Path) -> None:
    """The kernel's client 24 is card 2's: 16 + 4 n; the tree is as on a real system."""
    device = tmp_path / "devices/platform/vhci_hcd.0/usb3/3-2"
    (device / "3-2:1.0").mkdir(parents=True)
    (device / "serial").write_text("B-2\n")
    (tmp_path / "class/sound/card2").mkdir(parents=True)
    (tmp_path / "class/sound/card2/device").symlink_to(device / "3-2:1.0")
    assert serial_of("Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 24:0", tmp_path) == "B-2"
    assert serial_of("Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0", tmp_path) == ""
    assert serial_of("Midi Through:Midi Through Port-0 14:0", tmp_path) == ""
    assert serial_of("system:midi_capture_1", tmp_path) == ""


def test_a_list_that_was_read_while_ports_came_or_went_is_read_again() -> None:
    torn = [[KEYS, KNOBS], [KNOBS], None, [KEYS, KNOBS, THROUGH], [KEYS, KNOBS, THROUGH]]
    assert read_twice(lambda: torn.pop(0)) == [KEYS, KNOBS, THROUGH]
    assert torn == []
    assert read_twice(lambda: [KEYS]) == [KEYS]
    assert read_twice(lambda: None) == []
