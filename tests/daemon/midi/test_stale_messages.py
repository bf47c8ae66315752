"""What a controller sent while nobody listened is no music when its port is opened."""

import logging
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.commands.listen import Listening
from daemon.midi.controllers import Controllers
from daemon.midi.rtmidi_ports import RtMidiPorts

KEYS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0"
KNOBS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 2 20:1"
ON, OFF, PEDAL_UP = [0x90, 60, 100], [0x80, 60, 0], [0xB0, 64, 0]


class Sequencer:
    """ALSA's sequencer as rtmidi shows it, with controllers that keep what they send unheard."""

    API_LINUX_ALSA, API_UNIX_JACK = 1, 2
    RtMidiError = OSError

    def __init__(self) -> None:
        self.plugged: list[str] = []
        self.buffered: dict[str, list[Sequence[int]]] = {}
        self.ticking = False
        self._callbacks: dict[str, Callable[..., None]] = {}
        self._threads: list[threading.Thread] = []

    def MidiIn(self, interface: int, name: str) -> Any:  # noqa: N802 - rtmidi's name
        callbacks: list[Callable[..., None]] = []

        def open_port(index: int, name: str) -> None:
            port = self.plugged[index]
            self._callbacks[port] = callbacks[0]
            thread = threading.Thread(target=self._deliver, args=(port, callbacks[0]))
            self._threads.append(thread)
            thread.start()

        return SimpleNamespace(
            get_ports=lambda: list(self.plugged),
            ignore_types=lambda **_: None,
            set_callback=lambda callback, data: callbacks.append(callback),
            open_port=open_port,
            cancel_callback=lambda: None,
            delete=lambda: None,
        )

    def _deliver(self, port: str, callback: Callable[..., None]) -> None:
        """Pass on what a controller has kept: a packet of the bus in each millisecond."""
        for message in self.buffered.pop(port, []):
            time.sleep(0.001)
            callback((message, 0.001))
        while self.ticking:
            callback(([0xF8], 0.001))
            time.sleep(0.005)

    def send(self, port: str, *message: int) -> None:
        self._callbacks[port]((list(message), 0.5))

    def close(self) -> None:
        self.ticking = False
        for thread in self._threads:
            thread.join()


@pytest.fixture
def sequencer(monkeypatch: pytest.MonkeyPatch) -> Iterator[Sequencer]:
    made = Sequencer()
    monkeypatch.setitem(sys.modules, "rtmidi", made)
    yield made
    made.close()


@pytest.fixture
def ports(sequencer: Sequencer, tmp_path: Path) -> RtMidiPorts:
    (tmp_path / "seq").touch()
    made = RtMidiPorts(sound_devices=tmp_path)
    assert made.names() == []
    assert made.system == "ALSA"
    return made


def test_what_was_sent_before_a_port_was_opened_is_dropped_and_counted(
    sequencer: Sequencer, ports: RtMidiPorts
) -> None:
    sequencer.plugged = [KEYS]
    sequencer.buffered[KEYS] = [ON, OFF, PEDAL_UP] * 10
    heard: list[Sequence[int]] = []
    port = ports.open(KEYS, lambda message, time_us: heard.append(message))
    assert (port.stale, heard) == (30, [])
    sequencer.send(KEYS, *ON)
    assert heard == [ON]


def test_it_releases_nothing_that_is_held_on_another_port_of_the_same_controller(
    sequencer: Sequencer, ports: RtMidiPorts, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    put: list[bytes] = []

    def take(message: bytes, time_us: int, controller: int) -> bool:
        put.append(message)
        return True

    controllers = Controllers(ports, take)
    sequencer.plugged = [KEYS]
    controllers.poll(1)
    sequencer.send(KEYS, *ON)
    sequencer.plugged = [KEYS, KNOBS]
    sequencer.buffered[KNOBS] = [OFF, PEDAL_UP, [0xB0, 123, 0]]
    controllers.poll(2)
    assert put == [bytes(ON)]
    assert controllers.channel_state.held_keys(0) == 1
    assert caplog.messages == [
        "'Cargo Bike Keys 25': dropped 3 messages that it had sent before it was opened"
    ]


def test_a_clock_that_ticks_is_not_counted_and_opens_no_later(
    sequencer: Sequencer, ports: RtMidiPorts
) -> None:
    sequencer.plugged, sequencer.ticking = [KEYS], True
    began = time.monotonic()
    assert ports.open(KEYS, lambda message, time_us: None).stale == 0
    assert time.monotonic() - began < 0.08


def test_listen_says_how_many_it_dropped(sequencer: Sequencer, ports: RtMidiPorts) -> None:
    sequencer.plugged = [KEYS]
    sequencer.buffered[KEYS] = [ON, OFF]
    assert Listening(ports, "", lambda: 0).lines(0.0) == [
        "listening to: Cargo Bike Keys 25 (dropped 2 messages sent before)"
    ]
