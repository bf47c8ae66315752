import pytest

from daemon.ipc.message_ring import GONE, TOLD
from daemon.midi.controller_input import TELLING_US
from daemon.midi.controllers import Controllers
from daemon.midi.simulated import SimulatedPorts
from tests.support.fakes import Put

KEYS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0"
KEYS_AGAIN = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 24:0"
KNOBS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 2 20:1"
PEDALS = "Bell Pedals:Bell Pedals MIDI 1 28:0"
TICK_US = 250_000


class Bench:
    """A listener with ports to plug, and a clock."""

    def __init__(self, wanted: str = "") -> None:
        self.ports, self.put, self.now_us = SimulatedPorts(), Put(), 0
        self.listener = Controllers(self.ports, self.put, wanted)

    def poll(self) -> list[tuple[str, str, int]]:
        self.now_us += TICK_US
        self.changes = self.listener.poll(self.now_us)
        return [(change.kind, change.name, change.controller) for change in self.changes]

    def plug(self, *names: str) -> list[tuple[str, str, int]]:
        for name in names:
            self.ports.plug(name)
        return self.poll()

    def pull(self, *names: str) -> list[tuple[str, str, int]]:
        for name in names:
            self.ports.unplug(name)
        return self.poll()


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_a_controller_is_found_and_its_messages_are_put(bench: Bench) -> None:
    assert bench.poll() == []
    assert bench.plug(KEYS) == [("found", "Cargo Bike Keys 25", 0)]
    assert bench.poll() == []
    bench.ports.send(KEYS, b"\x90\x3c\x64", 1234)
    assert bench.put.records == [(b"\x90\x3c\x64", 1234, 0)]
    assert bench.listener.controllers == {0: "Cargo Bike Keys 25"}


def test_what_concerns_no_receiver_of_notes_stays_outside(bench: Bench) -> None:
    bench.plug(KEYS)
    for message in (b"\xf8", b"\xfa", b"\xf1\x01", b"\x40\x01", b""):
        bench.ports.send(KEYS, message, 1)
    assert bench.put.records == []
    assert bench.listener.messages == 0


def test_signs_of_life_and_a_reset_go_to_the_instrument(bench: Bench) -> None:
    """A controller that senses, and ticks meanwhile, need send nothing else (MIDI 1.0, p. 33)."""
    bench.plug(KEYS)
    for message in (b"\xf8", b"\xfe", b"\xf8", b"\xff", b"\xf8"):
        bench.ports.send(KEYS, message, 1)
    assert [record[0] for record in bench.put.records] == [b"\xfe", b"\xf8", b"\xff"]
    assert bench.listener.messages == 0


def test_a_reset_by_the_controller_is_not_repeated_to_a_later_player(bench: Bench) -> None:
    bench.plug(KEYS)
    bench.ports.send(KEYS, b"\xb0\x07\x20", 1)
    assert bench.listener.channel_state.messages() != []
    bench.ports.send(KEYS, b"\xff", 2)
    assert bench.listener.channel_state.messages() == []


def test_system_exclusive_waits_for_the_main_loop_and_wakes_it(bench: Bench) -> None:
    woken: list[int] = []
    bench.listener = Controllers(bench.ports, bench.put, wake=lambda: woken.append(1))
    bench.plug(KEYS)
    request = bytes.fromhex("f07e7f0601f7")
    bench.ports.send(KEYS, request, 1)
    bench.ports.send(KEYS, b"\xf0" + bytes(5000) + b"\xf7", 1)  # no message of a standard
    assert woken == [1]
    assert bench.listener.sysex.fetch() == [(0, request)]
    assert bench.listener.sysex.fetch() == []
    assert bench.put.records == []


def test_an_answer_goes_to_the_controller_that_asked(bench: Bench) -> None:
    other = "Market Pads:Market Pads MIDI 1 28:0"
    bench.plug(KEYS)
    bench.plug(other)
    bench.listener.send(1, b"\xf0\x7e\xf7")
    assert bench.ports.replies == [(other, b"\xf0\x7e\xf7")]


def test_what_a_device_sends_on_both_its_ports_is_taken_once(bench: Bench) -> None:
    first, second = "Organ Box:Organ Box MIDI 1 24:0", "Organ Box:Organ Box MIDI 2 24:1"
    bench.plug(first)
    bench.plug(second)
    on, off = bytes((0x90, 60, 100)), bytes((0x80, 60, 0))
    for number, message in enumerate((on, off, on, off)):
        bench.ports.send(first, message, 100_000 * number)
        bench.ports.send(second, message, 100_000 * number + 1500)
    assert [record[0] for record in bench.put.records] == [on, off, on, off]
    # The same key twice on one port, and each port's own keys, are no mirrors.
    for port, message in ((first, on), (first, on), (second, bytes((0x90, 40, 9)))):
        bench.ports.send(port, message, 1_000_000)
    # Nor is what comes much later.
    bench.ports.send(second, on, 1_100_000)
    assert len(bench.put.records) == 8
    assert bench.listener.messages == 8


def test_unplugging_resets_the_controller_and_reports_what_was_held(bench: Bench) -> None:
    bench.plug(KEYS)
    for key in (60, 64, 67):
        bench.ports.send(KEYS, bytes((0x90, key, 100)), 1)
    bench.ports.send(KEYS, b"\x80\x40\x40", 2)
    assert bench.pull(KEYS) == [("lost", "Cargo Bike Keys 25", 0)]
    assert bench.changes[0].held == 2
    assert bench.put.records[-1] == (GONE, bench.now_us, 0)
    assert bench.listener.controllers == {}


def test_a_controller_that_returns_has_its_old_number_and_is_heard(bench: Bench) -> None:
    bench.plug(KEYS)
    bench.plug(PEDALS)
    bench.pull(KEYS)
    # ALSA gives another client number.
    assert bench.plug(KEYS_AGAIN) == [("found", "Cargo Bike Keys 25", 0)]
    bench.ports.send(KEYS_AGAIN, b"\x90\x3c\x64", 7)
    assert bench.put.records[-1] == (b"\x90\x3c\x64", 7, 0)


def test_two_ports_of_a_device_are_one_controller(bench: Bench) -> None:
    assert bench.plug(KEYS, KNOBS) == [("found", "Cargo Bike Keys 25", 0)]
    bench.ports.send(KNOBS, b"\xb0\x4a\x01", 2 * TELLING_US)
    assert bench.put.records[-1][2] == 0
    assert bench.pull(KNOBS) == []
    assert bench.pull(KEYS) == [("lost", "Cargo Bike Keys 25", 0)]


def test_what_a_controller_sends_at_plugging_in_only_tells_where_it_stands(bench: Bench) -> None:
    bench.plug(KEYS)
    bench.ports.send(KEYS, b"\xb0\x4a\x01", TELLING_US // 2)
    assert bench.put.records[-1][2] == TOLD
    bench.ports.send(KEYS, b"\x90\x4a\x01", TELLING_US // 2)
    assert bench.put.records[-1][2] == 0


def test_two_devices_of_one_name_are_two_controllers(bench: Bench) -> None:
    name = "Cargo Bike Keys 25"
    assert bench.plug(KEYS, KEYS_AGAIN) == [("found", name, 0), ("found", name, 1)]
    assert bench.pull(KEYS) == [("lost", name, 0)]
    bench.ports.send(KEYS_AGAIN, b"\x90\x3c\x64", 1)
    assert bench.put.records[-1][2] == 1
    assert bench.plug(KEYS) == [("found", name, 0)]


def test_two_alike_keep_their_controller_numbers_in_whatever_order_they_return() -> None:
    bench = Bench()
    sockets = {KEYS: "A-1", KEYS_AGAIN: "B-2"}
    bench.listener = Controllers(bench.ports, bench.put, serial_of=lambda port: sockets[port])
    name = "Cargo Bike Keys 25"
    bench.plug(KEYS, KEYS_AGAIN)
    bench.pull(KEYS)
    bench.pull(KEYS_AGAIN)
    # The second one is back first, and ALSA gives it the first one's number.
    sockets = {KEYS: "B-2", KEYS_AGAIN: "A-1"}
    assert bench.plug(KEYS) == [("found", name, 1)]
    assert bench.plug(KEYS_AGAIN) == [("found", name, 0)]


def test_a_serial_number_tells_one_of_two_alike() -> None:
    bench = Bench("bike")
    sockets = {KEYS: "A-1", KEYS_AGAIN: "B-2"}
    bench.listener = Controllers(bench.ports, bench.put, "bike", serial_of=sockets.__getitem__)
    bench.listener.wanted_serial = "b-2"
    bench.plug(KEYS, KEYS_AGAIN)
    bench.ports.send(KEYS, b"\x90\x3c\x64", 1)
    bench.ports.send(KEYS_AGAIN, b"\x90\x40\x64", 1)
    assert [message for message, _, _ in bench.put.records] == [b"\x90\x40\x64"]


def test_a_name_narrows_and_may_change() -> None:
    bench = Bench("pedals")
    assert bench.plug(KEYS, PEDALS) == [("found", "Bell Pedals", 0)]
    bench.listener.wanted = "bike"
    assert sorted(bench.poll()) == [("found", "Cargo Bike Keys 25", 1), ("lost", "Bell Pedals", 0)]


def test_a_reset_that_found_no_room_is_put_later(bench: Bench) -> None:
    bench.plug(KEYS)
    bench.put.full = True
    bench.pull(KEYS)
    bench.poll()
    assert bench.put.records == []
    bench.put.full = False
    bench.poll()
    bench.poll()
    assert [record[0] for record in bench.put.records] == [GONE]


def test_a_port_that_refuses_is_reported_once_and_tried_again(bench: Bench) -> None:
    open_really = bench.ports.open

    def refuse(name: str, on_message: object) -> object:
        raise OSError("no room for another client")

    bench.ports.open = refuse  # type: ignore[method-assign, assignment]
    assert bench.plug(KEYS) == [("refused", "Cargo Bike Keys 25", 0)]
    assert bench.changes[0].reason == "no room for another client"
    assert [bench.poll() for _ in range(8)] == [[]] * 8
    bench.ports.open = open_really  # type: ignore[method-assign]
    found = [change for _ in range(8) for change in bench.poll()]
    assert found == [("found", "Cargo Bike Keys 25", 0)]


def test_after_a_loss_nothing_is_remembered_of_the_controller(bench: Bench) -> None:
    bench.plug(KEYS)
    bench.ports.send(KEYS, b"\xb0\x07\x0a", 1)
    assert bench.listener.channel_state.messages() == [(0, b"\xb0\x07\x0a")]
    bench.pull(KEYS)
    assert bench.listener.channel_state.messages() == []
