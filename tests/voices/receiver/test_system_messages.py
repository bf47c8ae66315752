"""System messages: active sensing, reset, identity, master controls, General MIDI on and off.

Sources: MIDI is the MIDI 1.0 Detailed Specification 4.2.1 (printed pages).
"""

import numpy as np
import pytest

from tests.support.playing import RATE, Recording
from tests.support.receiver_player import Player

SENSING = b"\xfe"


def master(kind: str, value: int, device: str = "7F") -> bytes:
    """Return a master message with 14 bits, low half first (MIDI p. 57)."""
    return bytes.fromhex(f"F0 7F {device} 04 {kind} {value & 127:02X} {value >> 7:02X} F7")


# MIDI p. 32: no time-out before the first FE.
def test_without_active_sensing_a_controller_may_be_silent() -> None:
    player = Player().send("90 45 7F").wait(10.0)
    assert player.accounts == {"sounding": 1}


# p. 32: senders repeat it within 270 ms, 300 ms at most; receivers judge from 330 ms.
def test_a_controller_that_keeps_talking_keeps_its_notes() -> None:
    player = Player().send(SENSING, "90 45 7F")
    for message in (SENSING, b"\xf8", b"\xb0\x01\x00", b"\xd3\x00", SENSING):
        player.wait(0.3).send(message)
    assert player.wait(0.3).accounts == {"sounding": 1}


def test_a_controller_that_falls_silent_loses_its_notes_once() -> None:
    player = Player().send(SENSING, "90 45 7F").control(7, 90).wait(0.32)
    assert player.accounts == {"sounding": 1}
    player.wait(0.03)
    assert player.accounts == {"cut": 1}
    assert player.instrument.channel(0).values[7] == 90  # controls stay
    assert player.wait(0.4).silent()
    player.send("90 45 7F").wait(2.0)  # back to normal, non-sensing operation
    assert player.accounts == {"cut": 1, "sounding": 1}


SILENT_FROM = 5 + round(0.33 * RATE) + 1


def heard(block: int, later: list[tuple[int, str, int]]) -> Recording:
    """Return what sounds of a watched key, and of messages on frames, from controllers."""
    player = Player(block=block, polyphony=1)
    events = [(5, "FE", 0), (5, "90 45 7F", 0), *later]
    recording = np.zeros((18 * 1024, 2), np.float32)
    for start in range(0, len(recording), block):
        while events and events[0][0] < start + block:
            at, message, controller = events.pop(0)
            player.send(message, frame=at - start, controller=controller)
        player.instrument.render(recording[start : start + block])
    return recording


# MIDI p. 32: receivers judge from 330 ms on, which falls on a frame like any other.
@pytest.mark.parametrize(
    ("later", "held"),
    [
        ([], False),
        ([(SILENT_FROM - 1, "FE", 0)], True),
        ([(SILENT_FROM, "FE", 0)], False),
        ([(SILENT_FROM + 40, "91 3C 00", 1)], False),
    ],
)
def test_a_controller_falls_silent_on_its_frame_whatever_the_block(
    later: list[tuple[int, str, int]], held: bool
) -> None:
    fine, coarse = heard(64, list(later)), heard(1024, list(later))
    assert np.abs(fine - coarse).max() < 1e-6
    before, after = (np.abs(part).max() for part in (fine[:SILENT_FROM], fine[-64:]))
    assert (after > 0.9 * before) == held


def test_what_is_no_message_is_ignored_and_a_frame_outside_a_block_is_the_nearest_inside() -> None:
    player, late = Player(), Player()
    player.send(b"", "45 7F", "90", "90 45", "F0", "90 80 7F", "F4").send("90 45 7F", frame=-7)
    player.instrument.release_controller(3, 9999)
    late.send("90 45 7F", frame=9999)
    block = late.instrument.block_frames
    sound, later = player.hear(0.1)[:, 0], late.hear(0.1)[:, 0]
    assert player.accounts == late.accounts == {"sounding": 1}
    assert not later[:block].any()
    assert later[block - 1 :] == pytest.approx(sound[: -block + 1], abs=1e-6)


def test_each_controller_is_watched_alone() -> None:
    player = Player().send(SENSING, "90 45 7F").send("90 51 7F", controller=1).wait(0.5)
    assert player.accounts == {"cut": 1, "sounding": 1}
    assert player.level(81) > -60


def test_active_sensing_can_be_ignored() -> None:
    player = Player(controller={"ignore": ["active_sensing"]}).send(SENSING, "90 45 7F").wait(1.0)
    assert player.accounts == {"sounding": 1}


# MIDI p. 33: the state of power-up; voices off.
def test_system_reset_brings_its_controller_to_power_up() -> None:
    player = Player().send("B0 07 20", "B0 7E 01", "90 45 7F", "E0 00 00", "B0 65 00")
    player.send("B0 64 00", "B0 06 0C", "FF").wait(0.4)
    assert player.silent()
    assert player.accounts == {"cut": 1}
    channel = player.instrument.channel(0)
    assert (channel.values[7], channel.bend, channel.mono) == (100, 0, False)
    assert channel.bend_range_cents == 200.0


# MIDI p. 40: F0 7E dd 06 02 mm ff ff mm mm ss ss ss ss F7: 15 bytes; 7D is for non-commercial use.
@pytest.mark.parametrize("device", ["7F", "05"])
def test_an_identity_request_is_answered_to_whoever_asked(device: str) -> None:
    player = Player(controller={"device_number": 5})
    player.send(f"F0 7E {device} 06 01 F7", controller=2)
    controller, reply = player.instrument.replies.popleft()
    assert controller == 2
    assert len(reply) == 15
    assert reply[:6] == bytes.fromhex("F0 7E 05 06 02 7D")
    assert reply[-1] == 0xF7
    assert max(reply[1:-1]) < 128


def test_a_request_to_another_device_is_not_ours() -> None:
    player = Player(controller={"device_number": 5}).send("F0 7E 04 06 01 F7")
    assert not player.instrument.replies


def test_a_flood_of_requests_leaves_a_few_answers() -> None:
    player = Player().send(*["F0 7E 7F 06 01 F7"] * 1000)
    assert len(player.instrument.replies) == 16


# GM2 4.1: the square law of CC 7; 7F 7F is full, 00 00 off.
@pytest.mark.parametrize(("value", "level_db"), [(64 << 7, -11.905), (100 << 7, -4.152)])
def test_master_volume_follows_the_square_law(value: int, level_db: float) -> None:
    player = Player().send("90 45 7F")
    full = player.level()
    assert player.send(master("01", value)).level() - full == pytest.approx(level_db, abs=0.01)
    assert player.send(master("01", 0x3FFF)).level() == pytest.approx(full, abs=0.001)
    assert player.send(master("01", 0)).level() < -200


# MIDI p. 57: those for one device, for all, and for a channel are kept apart.
def test_volumes_for_all_and_for_this_device_add_up() -> None:
    player = Player().send("90 45 7F")
    full = player.level()
    player.send(master("01", 64 << 7), master("01", 64 << 7, "00"))
    assert player.level() - full == pytest.approx(2 * -11.905, abs=0.02)
    player.send(master("01", 0x3FFF))
    assert player.level() - full == pytest.approx(-11.905, abs=0.01)


def test_master_balance_takes_one_side_away() -> None:
    player = Player().send("90 45 7F").send(master("02", 0))
    assert player.level(side=1) < -200
    assert player.level(side=0) > -60
    player.send(master("02", 0x2000))
    assert player.level(side=1) > -60


# CA-025: 442 Hz is 7.851 cents, v = 8835; coarse in semitones; both add to the channel's own.
def test_master_tuning_adds_to_that_of_the_channel() -> None:
    player = Player().send("F0 7F 7F 04 03 03 45 F7", "90 45 7F")
    assert player.cents(69) == pytest.approx(7.849, abs=0.02)
    player.send("F0 7F 7F 04 04 00 41 F7")
    assert player.cents(70) == pytest.approx(7.849, abs=0.02)
    player.send("B0 65 00", "B0 64 02", "B0 06 3F")
    assert player.cents(69) == pytest.approx(7.849, abs=0.02)


# GM level 1 and 2: on and off bring the instrument to its state at power-on.
@pytest.mark.parametrize("which", ["01", "02", "03"])
def test_general_midi_on_and_off_start_from_the_beginning(which: str) -> None:
    player = Player().send("90 45 7F", "B4 07 05", master("01", 0), f"F0 7E 7F 09 {which} F7")
    assert player.accounts == {"cut": 1}
    assert player.instrument.channel(4).values[7] == 100
    assert player.wait(0.4).send("90 45 7F").level() > -60


@pytest.mark.parametrize(
    "message",
    [
        *("F0 F7", "F0 7E F7", "F0 7E 7F 06 F7", "F0 7F 7F 04 01 F7", "F0 7F 7F 04 01 7F F7"),
        *("F0 7D 10 42 12 40 00 7F 00 41 F7", "F0 7E 7F 06 01", "F0 00 00 00 01 F7", "F0"),
        *("F1 10", "F2 00 10", "F3 01", "F6", "F8", "FA", "FB", "FC", "F4", "F5", "F9", "FD"),
        *("90 45", "90", "80", "B0 07", "E0 00", "C0", "40 40 40", "90 C5 40", "B0 07 80"),
    ],
)
def test_what_means_nothing_here_or_is_cut_short_changes_nothing(message: str) -> None:
    player = Player().send("90 45 7F").wait(0.1)
    before = list(player.instrument.channel(0).values)
    player.send(message)
    assert player.accounts == {"sounding": 1}
    assert player.instrument.channel(0).values == before
    assert not player.instrument.replies
