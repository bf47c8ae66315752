"""A song among the controllers: one more of them, and none of the player's business."""

from daemon.ipc.message_ring import GONE, PANIC
from daemon.midi.controllers import Controllers
from daemon.midi.simulated import SimulatedPorts
from daemon.midi.song import LATE_US
from tests.support.fakes import Put

KEYS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0"
NOW_US = 10_000_000


def staged() -> tuple[Controllers, SimulatedPorts, Put]:
    ports, put = SimulatedPorts(), Put()
    ports.plug(KEYS)
    controllers = Controllers(ports, put)
    controllers.poll(NOW_US)
    return controllers, ports, put


def test_a_song_is_one_more_controller_and_the_next_one_takes_its_number() -> None:
    controllers, _, put = staged()
    song = controllers.add_song("market.mid", NOW_US)
    assert controllers.controllers == {0: "Cargo Bike Keys 25", 1: "market.mid"}
    song.play([(NOW_US, b"\x90\x3c\x40")], NOW_US)
    assert put.records == [(GONE, NOW_US, 1), (b"\x90\x3c\x40", NOW_US, 1)]
    controllers.end_song(song, NOW_US)
    assert controllers.controllers == {0: "Cargo Bike Keys 25"}
    assert controllers.add_song("other.mid", NOW_US).number == 1
    assert controllers.add_song("third.mid", NOW_US).number == 2
    assert controllers.messages == 2


def test_at_its_end_a_song_lets_go_every_key_and_pedal() -> None:
    controllers, _, put = staged()
    song = controllers.add_song("market.mid", NOW_US)
    held = [b"\x90\x3c\x40", b"\x95\x48\x40", b"\xb5\x40\x7f", b"\x90\x30\x40", b"\x80\x30\x40"]
    song.play([(NOW_US, each) for each in held], NOW_US)
    put.records.clear()
    controllers.end_song(song, NOW_US + 5)
    assert [record[0] for record in put.records] == [
        *(b"\x80\x3c\x40", b"\x85\x48\x40"),
        b"\xb5\x40\x00",
    ]


def test_what_a_song_lets_go_while_the_ring_is_full_follows_once_there_is_room() -> None:
    controllers, _, put = staged()
    song = controllers.add_song("market.mid", NOW_US)
    song.play([(NOW_US, b"\x90\x3c\x40")], NOW_US)
    put.full = True
    controllers.end_song(song, NOW_US)
    put.full = False
    controllers.poll(NOW_US + 1000)
    assert put.records[-1] == (b"\x80\x3c\x40", NOW_US + 1000, 1)


def test_a_message_is_placed_at_its_own_time_unless_that_is_long_ago_or_to_come() -> None:
    controllers, _, put = staged()
    song = controllers.add_song("market.mid", NOW_US)
    put.records.clear()
    for due_us in (NOW_US - 900, NOW_US - 900_000, NOW_US + 900_000):
        song.play([(due_us, b"\xb0\x0b\x40")], NOW_US)
    assert [record[1] for record in put.records] == [NOW_US - 900, NOW_US - LATE_US, NOW_US]


def test_no_knob_no_sound_and_no_chord_of_a_song_is_taken_for_the_players() -> None:
    controllers, _, _ = staged()
    song = controllers.add_song("market.mid", NOW_US)
    for message in (b"\xb0\x4a\x10", b"\xc0\x05", b"\x90\x24\x40"):
        song.play([(NOW_US, message)], NOW_US)
    state = controllers.channel_state
    assert (state.controls(), state.programs(), state.keys_down()) == ({}, set(), set())


def test_panic_goes_into_the_ring_once_there_is_room_and_stops_songs() -> None:
    controllers, ports, put = staged()
    ports.send(KEYS, b"\xb0\x40\x7f", NOW_US)
    ports.send(KEYS, b"\xb0\x07\x20", NOW_US)
    ports.send(KEYS, b"\x90\x3c\x40", NOW_US)
    song = controllers.add_song("market.mid", NOW_US)
    song.play([(NOW_US, b"\x90\x3c\x40")], NOW_US)
    put.full = True
    controllers.panic(NOW_US)
    put.full = False
    controllers.poll(NOW_US + 1)
    controllers.poll(NOW_US + 2)
    assert [record[:2] for record in put.records if record[0] == PANIC] == [(PANIC, NOW_US + 1)]
    assert song.stopped
    assert controllers.channel_state.keys_down() == set()
    assert controllers.channel_state.controls() == {(0, 0, 7): 0x20}
    before = len(put.records)
    controllers.end_song(song, NOW_US + 3)
    assert len(put.records) == before, "it holds nothing any more"
