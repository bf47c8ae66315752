"""What the controllers send, in words: with simulated ports, and as a process over JACK."""

import fcntl
import os
import pty
import queue
import re
import select
import signal
import struct
import subprocess
import termios
import threading
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.commands.listen import Listening, tell
from daemon.listening.seen import Seen
from daemon.midi.message_words import message_words
from daemon.midi.ports import OnMessage, OpenPort
from daemon.midi.simulated import SimulatedPorts
from tests.support.command import command, environment, fault_of, partiald
from tests.support.jack_server import JackServer
from tests.support.virtual_controller import NAME, VirtualController
from tests.support.waiting import wait_until

KEYS = f"{NAME}:{NAME} MIDI 1 20:0"
KEYS_AGAIN = f"{NAME}:{NAME} MIDI 1 24:0"
PEDALS = "Bell Pedals:Bell Pedals MIDI 1 28:0"
START_US = 5_000_000


class Bench:
    """Ports to plug, a clock to turn."""

    def __init__(self, wanted: str = "") -> None:
        self.ports = SimulatedPorts()
        self.now_us = START_US
        self.listening = Listening(self.ports, wanted, lambda: self.now_us)

    def lines(self) -> list[str]:
        return self.listening.lines(0.0)

    def told(self, *messages: bytes) -> list[str]:
        """Return the words for some messages of the keyboard, which is plugged in and told of."""
        for message in messages:
            assert self.ports.send(KEYS, message, self.now_us)
        return [line.split(NAME)[1].strip() for line in self.lines()]


@pytest.fixture
def bench() -> Bench:
    made = Bench()
    made.ports.plug(KEYS)
    assert made.lines() == [f"listening to: {NAME}"]
    return made


@pytest.mark.parametrize(
    ("message", "words"),
    [
        (b"\x80\x3c\x40", "note off C4 (60)"),
        (b"\x9f\x00\x01", "note on  C-1 (0) velocity 1"),
        (b"\x90\x7f\x7f", "note on  G9 (127) velocity 127"),
        (b"\x90\x45\x00", "note off A4 (69)"),
        (b"\xa2\x3c\x05", "pressure C4 (60) = 5"),
        (b"\xb0\x01\x07", "control 1 (modulation) = 7"),
        (b"\xb0\x40\x7f", "control 64 (hold 1, sustain) = 127"),
        (b"\xb0\x4a\x00", "control 74 (brightness) = 0"),
        (b"\xb0\x7b\x00", "control 123 (all notes off) = 0"),
        (b"\xb0\x14\x09", "control 20 = 9"),
        (b"\xb0\x20\x01", "control 32 (bank select, LSB) = 1"),
        (b"\xc3\x00", "program 1"),
        (b"\xd0\x64", "pressure = 100"),
        (b"\xe0\x7f\x7f", "bend +8191"),
        (b"\xe0\x00\x00", "bend -8192"),
        (b"\xe0\x01\x40", "bend +1"),
        (b"\xf2\x01\x02", "song position 1 2"),
        (b"\xfa", "start"),
        (b"\xfc", "stop"),
        (b"\xff", "system reset"),
        (b"\xf4", "undefined F4"),
        (b"\xf0\x7e\x7f\x09\x01\xf7", "system exclusive, 6 bytes: F0 7E 7F 09 01 F7"),
    ],
)
def test_each_kind_of_message_has_its_words(message: bytes, words: str) -> None:
    """MIDI 1.0, tables 1 to 3; key 60 is C4; the sound controllers' names are of GM2."""
    assert message_words(message) == words


def test_a_long_system_exclusive_is_cut_short() -> None:
    words = message_words(b"\xf0" + bytes(1000) + b"\xf7")
    assert words.startswith("system exclusive, 1002 bytes: F0 00 00")
    assert words.endswith("00 ...")
    assert len(words) < 90


def test_any_message_is_shown_in_one_line_even_one_cut_off() -> None:
    for status in range(0x80, 0x100):
        for length in (1, 2, 3):
            words = message_words(bytes([status, 64, 64][:length]))
            assert words
            assert "\n" not in words


def test_a_line_shows_seconds_controller_channel_and_words(bench: Bench) -> None:
    bench.ports.send(KEYS, b"\x99\x3c\x64", START_US + 1_234_567)
    assert bench.lines() == [f"    1.235  {NAME}  channel 10  note on  C4 (60) velocity 100"]


def test_words_stand_under_each_other_with_or_without_a_channel(bench: Bench) -> None:
    for message in (b"\x90\x3c\x64", b"\x9f\x3c\x64", b"\xf8"):
        bench.ports.send(KEYS, message, START_US)
    words = ("note on", "note on", "clock")
    assert len({line.index(w) for line, w in zip(bench.lines(), words, strict=True)}) == 1


def test_messages_come_in_the_order_in_which_they_were_sent(bench: Bench) -> None:
    told = bench.told(*[bytes([0xB0, 20, value]) for value in range(100)])
    assert [int(line.split()[-1]) for line in told] == list(range(100))


def test_active_sensing_is_reported_once_for_each_time_the_controller_comes(bench: Bench) -> None:
    """MIDI 1.0: FE comes three times a second, for as long as the controller lives."""
    assert bench.told(*[b"\xfe"] * 5) == ["active sensing; repeats are not shown"]
    assert bench.told(b"\xfe", b"\xfa", b"\xfe") == ["start"]
    bench.ports.unplug(KEYS)
    bench.lines()
    bench.ports.plug(KEYS)
    bench.lines()
    assert bench.told(b"\xfe") == ["active sensing; repeats are not shown"]


def test_a_controller_that_goes_and_comes_is_reported_and_heard_again(bench: Bench) -> None:
    bench.ports.unplug(KEYS)
    assert bench.lines() == [
        f"lost: {NAME}",
        "no controller seen; waiting for one (Ctrl-C to stop)",
    ]
    assert bench.lines() == []
    # ALSA gives another client number.
    bench.ports.plug(KEYS_AGAIN)
    assert bench.lines() == [f"listening to: {NAME}"]
    assert bench.ports.send(KEYS_AGAIN, b"\x90\x3c\x64", START_US)
    assert len(bench.lines()) == 1


def test_only_wanted_controllers_are_opened() -> None:
    bench = Bench("bell")
    bench.ports.plug(KEYS)
    assert bench.lines() == ["no controller matches 'bell'; waiting for one (Ctrl-C to stop)"]
    bench.ports.plug(PEDALS)
    assert bench.lines() == ["listening to: Bell Pedals"]
    assert not bench.ports.send(KEYS, b"\x90\x3c\x64", START_US)
    assert bench.ports.send(PEDALS, b"\x90\x3c\x64", START_US)


def test_a_controller_that_refuses_is_reported_once_with_the_reason_and_tried_again() -> None:
    class Reluctant(SimulatedPorts):
        refusing = True

        def open(self, name: str, on_message: OnMessage) -> OpenPort:
            if self.refusing:
                raise OSError("no room for another client")
            return super().open(name, on_message)

    ports = Reluctant()
    ports.plug(KEYS)
    listening = Listening(ports, "", lambda: START_US)
    assert listening.lines(0.0) == [f"refused: {NAME}: no room for another client"]
    assert listening.lines(0.0) == []
    ports.refusing = False
    assert listening.lines(0.0) == [f"listening to: {NAME}"]


def test_after_closing_nobody_has_a_port_open(bench: Bench) -> None:
    bench.ports.plug(PEDALS)
    bench.lines()
    bench.listening.close()
    assert not bench.ports.send(KEYS, b"\x90\x3c\x64", START_US)
    assert not bench.ports.send(PEDALS, b"\x90\x3c\x64", START_US)


class Command:
    """``partiald listen`` in a process of its own, its lines read as they come."""

    def __init__(self, *words: object) -> None:
        self.process = subprocess.Popen(
            command("listen", *words),
            env=environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        )
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._reading = threading.Thread(target=self._read)
        self._reading.start()

    def _read(self) -> None:
        assert self.process.stdout
        for line in self.process.stdout:
            self._lines.put(line.rstrip("\n"))

    def line(self) -> str:
        """Return the next line; fail when none comes in ten seconds."""
        return self._lines.get(timeout=10)

    def hears(self, controller: VirtualController) -> None:
        """Wait until something arrives: JACK loses what comes right after a connection is made."""

        def arrived() -> bool:
            controller.send(0xFE)
            return not self._lines.empty()

        wait_until(arrived)
        assert self.line().endswith("active sensing; repeats are not shown")

    def close(self) -> None:
        self.process.kill()
        self._reading.join()
        assert self.process.stdout
        assert self.process.stderr
        self.process.stdout.close()
        self.process.stderr.close()
        self.process.wait()


@pytest.fixture
def listen(jack_server: JackServer) -> Iterator[Callable[..., Command]]:
    made: list[Command] = []

    def start(*words: object) -> Command:
        made.append(Command(*words))
        return made[-1]

    yield start
    for each in made:
        each.close()


@pytest.mark.gig
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_real_port_is_heard_lost_and_heard_again_until_it_is_stopped(
    listen: Callable[..., Command], number: signal.Signals
) -> None:
    with VirtualController() as controller:
        listening = listen()
        assert listening.line() == f"listening to: {NAME}"
        listening.hears(controller)
        controller.send(0x92, 60, 100)
        assert listening.line().endswith(f"{NAME}  channel  3  note on  C4 (60) velocity 100")
        controller.pull()
        assert listening.line() == f"lost: {NAME}"
        assert listening.line().startswith("no controller seen")
        controller.plug()
        assert listening.line() == f"listening to: {NAME}"
        listening.hears(controller)
        controller.send(0xB0, 64, 127)
        assert listening.line().endswith("control 64 (hold 1, sustain) = 127")
        listening.process.send_signal(number)
        assert listening.process.wait(5) == 0
        assert listening.process.stderr
        assert listening.process.stderr.read() == ""


@pytest.mark.gig
def test_the_name_on_the_command_line_overrides_the_one_in_the_settings(
    listen: Callable[..., Command], tmp_path: Path
) -> None:
    settings = tmp_path / "partiald.toml"
    settings.write_text('[controller]\nname = "bell"\n')
    with VirtualController():
        listening = listen("--settings", settings)
        assert listening.line() == "no controller matches 'bell'; waiting for one (Ctrl-C to stop)"
        listening = listen("--settings", settings, "--controller", "cargo")
        assert listening.line() == f"listening to: {NAME}"


@pytest.mark.gig
def test_a_faulty_settings_file_is_named_and_every_controller_is_heard(
    listen: Callable[..., Command], tmp_path: Path
) -> None:
    settings = tmp_path / "partiald.toml"
    settings.write_text("polyphony = 0\n")
    listening = listen("--settings", settings)
    assert listening.line() == "no controller seen; waiting for one (Ctrl-C to stop)"
    listening.process.terminate()
    assert listening.process.wait(5) == 0
    assert listening.process.stderr
    fault = listening.process.stderr.read()
    assert fault == f"partiald: {settings}: line 1: polyphony = 0: must be 1 to 256; left out\n"


@pytest.mark.gig
def test_without_the_midi_library_it_fails_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "rtmidi.py").write_text("raise ImportError('no such luck')\n")
    done = partiald("listen", cwd=tmp_path, front=tmp_path)
    assert re.search("no such luck.*apt install python3-rtmidi", fault_of(done))


@pytest.mark.gig
def test_a_reader_that_has_heard_enough_ends_it(jack_server: JackServer) -> None:
    """As in ``partiald listen | head -1``."""
    reading, writing = os.pipe()
    with VirtualController() as controller:
        process = subprocess.Popen(
            command("listen"), env=environment(), stdout=writing, stderr=subprocess.PIPE, text=True
        )
        os.close(writing)
        try:
            assert os.read(reading, 1000).startswith(b"listening to:")
            os.close(reading)

            def ended() -> bool:
                controller.send(0xB0, 20, 1)
                return process.poll() is not None

            wait_until(ended)
            assert process.returncode == 0
            assert process.stderr
            assert process.stderr.read() == ""
        finally:
            process.kill()
            process.communicate()


@pytest.mark.gig
def test_on_a_terminal_it_is_a_view_and_ends_with_a_sheet_that_may_be_written(
    jack_server: JackServer, tmp_path: Path
) -> None:
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    with VirtualController() as controller:
        listening = subprocess.Popen(
            command("listen", "--controller", NAME),
            cwd=tmp_path,
            env=environment(),
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
        )
        os.close(theirs)
        shown = ""

        def shows(words: str) -> bool:
            nonlocal shown
            if select.select([ours], [], [], 0.1)[0]:
                shown += os.read(ours, 1 << 16).decode("utf-8", "replace")
            return words in shown

        try:
            wait_until(lambda: shows(NAME), 20.0)
            for key in (60, 62, 64, 65):
                controller.send(0x90, key, 64)
            wait_until(lambda: shows("always 64: set fixed_velocity"), 10.0)
            listening.send_signal(signal.SIGINT)
            wait_until(lambda: shows("Write them into"), 10.0)
            os.write(ours, b"n\n")
            assert listening.wait(10) == 0
        finally:
            listening.kill()
            listening.wait()
            os.close(ours)
    assert not list(tmp_path.glob("*.toml"))


def test_the_settings_that_suit_are_written_once_when_wanted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keys = Seen(NAME)
    for key in (60, 62, 64, 65):
        keys.take(bytes((0x90, key, 64)))
    here, owner = tmp_path / "partiald.toml", tmp_path / "etc" / "partiald.toml"
    tell({NAME: keys}, lambda: "n\n", owner, here)
    assert not here.exists()
    tell({NAME: keys}, lambda: "y\n", owner, here)
    assert tomllib.loads(here.read_text())["controller"]["fixed_velocity"] == 100
    tell({NAME: keys}, lambda: "y\n", owner, here)
    assert "is there already" in capsys.readouterr().out
    owner.parent.mkdir()
    tell({NAME: keys}, lambda: "yes\n", owner, here)
    assert owner.read_text() == here.read_text()
    tell({NAME: Seen(NAME)}, lambda: "y\n", owner, here)
