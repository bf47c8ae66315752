"""Where the controls stood, over a restart of the service."""

from pathlib import Path

import numpy as np
import pytest

from config.gestures import resting, resuming, switching_off
from daemon.ipc.message_ring import TOLD
from daemon.ipc.messages import Exclusive
from daemon.keeper.session_state import WORDS, SessionState
from daemon.soundcard.card import Card
from daemon.storage.deferred_writes import DeferredWrites
from tests.support.daemon_process import Daemon, record
from tests.support.jack_server import JackServer
from tests.support.keeper_bench import KEYS, KeeperBench
from tests.support.virtual_controller import NAME, VirtualController

PEDALS = "Bell Pedals:Bell Pedals MIDI 1 28:0"
SOFT, LOUD, DULL = b"\xb0\x07\x28", b"\xb0\x07\x7f", b"\xb0\x4a\x20"
OCTAVE_UP = (b"\xb0\x65\x00", b"\xb0\x64\x02", b"\xb0\x06\x4c")
"""Channel coarse tuning: registered parameter 2, twelve above the middle (MIDI 1.0, table 3a)."""
NO_PARAMETER = (b"\xb0\x65\x7f", b"\xb0\x64\x7f")


class Box:
    """A bench in a power-on, with the file of the one before it, if there is one."""

    def __init__(self, folder: Path, *controllers: str, boot: str = "today") -> None:
        self.bench, self.writes = KeeperBench(), DeferredWrites()
        self.session = SessionState(
            *(self.bench.channel_state, self.bench.controllers, self.bench.supervisor),
            *(self.writes.request, folder / "standing.json", boot),
        )
        for name in controllers:
            self.bench.ports.plug(name)
        self.session.restore()

    def plays(self, card: Card | None = None) -> list[tuple[int, bytes]]:
        """Play, on the market card unless another is given; return what the player is told."""
        self.bench.players.card = card or self.bench.players.card
        self.bench.play()
        self.bench.take()
        return [(number, message) for _, number, message in self.bench.players.instrument.heard]

    def hears(self, *messages: bytes, name: str = KEYS) -> None:
        for message in messages:
            assert self.bench.ports.send(name, message, self.bench.now_us)
        self.bench.take()

    def ends(self) -> None:
        self.session.look()
        self.writes.flush()


def test_level_knobs_and_octave_are_there_after_a_restart_and_what_springs_back_is_not(
    tmp_path: Path,
) -> None:
    box = Box(tmp_path, KEYS)
    assert box.plays() == []
    box.hears(SOFT, DULL, *OCTAVE_UP, *NO_PARAMETER)
    box.hears(b"\xb0\x40\x7f", b"\xb0\x01\x50", b"\xe0\x00\x60", b"\xd0\x50", b"\xc0\x04")
    box.hears(b"\x90\x3c\x64")
    box.ends()
    again = Box(tmp_path, KEYS).plays()
    assert {number for number, _ in again} == {0}
    messages = [message for _, message in again]
    assert sorted(messages) == sorted([SOFT, DULL, *OCTAVE_UP, *NO_PARAMETER])
    first = messages.index(OCTAVE_UP[0])
    assert messages[first : first + 3] == list(OCTAVE_UP)


def test_a_knob_turned_since_its_sound_was_kept_tells_first_where_it_stood(tmp_path: Path) -> None:
    box = Box(tmp_path, KEYS)
    box.plays()
    box.hears(DULL, b"\xb0\x14\x40", b"\xb0\x15\x50")
    box.bench.channel_state.rest({0x14, 0x15, 0x4A}, {0x14, 0x4A})
    box.hears(b"\xb0\x4a\x60")
    box.ends()
    again = Box(tmp_path, KEYS).plays()
    assert again[0] == (TOLD, DULL), "no more than that"
    others = [(TOLD, b"\xb0\x14\x40"), (0, b"\xb0\x15\x50"), (0, b"\xb0\x4a\x60")]
    assert sorted(again[1:]) == sorted(others)


def test_a_sound_controller_rests_after_a_restart_where_a_kept_sound_has_left_it(
    tmp_path: Path,
) -> None:
    box = Box(tmp_path, KEYS)
    box.plays()
    box.hears(DULL)
    box.bench.channel_state.rest([], [])
    box.ends()
    again = Box(tmp_path, KEYS).plays()
    assert again == [(TOLD, DULL), (0, resting(0, 74)), (TOLD, DULL)]


def test_where_gestures_have_brought_it_is_there_after_a_restart_and_not_at_power_on(
    tmp_path: Path,
) -> None:
    box = Box(tmp_path, KEYS, PEDALS)
    box.plays()
    box.bench.channel_state.shift(1, 2, -3, [2, 4])
    box.ends()
    again = Box(tmp_path, KEYS, PEDALS)
    wanted = [(1, resuming(2, -3)), (0, switching_off(2)), (0, switching_off(4))]
    assert again.plays() == wanted
    assert again.bench.channel_state.standing() == ({1: 2}, [2, 4])
    again.ends()
    assert Box(tmp_path, PEDALS).plays() == [(0, resuming(2, -3)), *wanted[1:]]
    assert Box(tmp_path, KEYS, PEDALS, boot="tomorrow").plays() == []


def test_the_same_card_is_as_loud_as_before_the_restart_and_another_is_not(tmp_path: Path) -> None:
    box = Box(tmp_path, KEYS)
    box.plays()
    box.hears(LOUD, DULL)
    box.ends()
    jack = Card("Headphones", "jack", 48_000, 2, 1, identity="jack")
    assert Box(tmp_path, KEYS).plays(jack) == [(0, DULL)]
    assert sorted(Box(tmp_path, KEYS).plays()) == sorted([(0, LOUD), (0, DULL)])


def test_the_card_is_remembered_through_a_restart_in_which_none_played(tmp_path: Path) -> None:
    box = Box(tmp_path, KEYS)
    box.plays()
    box.hears(LOUD)
    box.ends()
    Box(tmp_path, KEYS).ends()
    assert Box(tmp_path, KEYS).plays() == [(0, LOUD)]


def test_after_a_power_off_everything_is_as_at_power_on(tmp_path: Path) -> None:
    box = Box(tmp_path, KEYS)
    box.plays()
    box.hears(SOFT)
    box.ends()
    assert Box(tmp_path, KEYS, boot="tomorrow").plays() == []
    unnamed = Box(tmp_path, KEYS, boot="")
    assert unnamed.plays() == []
    unnamed.hears(DULL)
    unnamed.ends()
    assert Box(tmp_path, KEYS).plays() == [(0, SOFT)]


def test_each_controller_gets_its_own_back_whatever_its_number_is_now(tmp_path: Path) -> None:
    box = Box(tmp_path, KEYS, PEDALS)
    box.plays()
    box.hears(SOFT)
    box.hears(DULL, name=PEDALS)
    box.ends()
    alone = Box(tmp_path, PEDALS)
    assert alone.plays() == [(0, DULL)]
    assert alone.bench.controllers.controllers == {0: "Bell Pedals"}


def test_master_controls_and_tunings_come_along(tmp_path: Path) -> None:
    box = Box(tmp_path, KEYS)
    box.plays()
    quarter = bytes.fromhex("f07f7f04010020f7")  # master volume, of MIDI 1.0's table 4
    box.bench.supervisor.exclusive(0, quarter)
    box.ends()
    box = Box(tmp_path, KEYS)
    box.plays()
    assert box.bench.players.sent == [Exclusive(0, quarter)]


def test_nothing_is_written_unless_something_was_moved(tmp_path: Path) -> None:
    box = Box(tmp_path, KEYS)
    box.plays()
    box.ends()
    box.session.look()
    assert box.writes.pending == []
    box.hears(SOFT)
    box.session.look()
    assert box.writes.pending == [WORDS]


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"boot": "today"}', '{"boot": "today", "devices": [[1]]}']
)
def test_a_damaged_file_is_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "standing.json").write_text(text)
    assert Box(tmp_path, KEYS).plays() == []


def peak_db(folder: Path) -> float:
    return float(20 * np.log10(np.abs(record(folder)).max()))


@pytest.mark.gig
def test_the_whole_daemon_is_as_quiet_after_a_restart_as_before(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """Level: 40 log10(v / 127) dB of a channel volume v (GM2 v1.2a): 8 is 44 dB below 100."""
    with VirtualController() as controller:
        levels = []
        for volume in (100, 8, None):
            daemon = Daemon(tmp_path)
            daemon.says("ready:", timeout_s=15)
            daemon.says(f"controller connected: '{NAME}'")
            daemon.hears(controller)
            if volume is not None:
                controller.send(0xB0, 7, volume)
            controller.send(0x90, 69, 100)
            daemon.sounds(1)
            levels.append(peak_db(tmp_path))
            controller.send(0x80, 69, 0)
            daemon.sounds(0)
            assert daemon.stop() == 0
    assert abs(levels[0] - levels[1] - 43.9) < 0.2
    assert abs(levels[2] - levels[1]) < 0.2
