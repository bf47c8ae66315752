"""Channel mode messages, mono and legato, portamento.

Sources: MIDI is the MIDI 1.0 Detailed Specification 4.2.1 (printed pages), GM2 is General MIDI 2
v1.2a.
"""

from typing import Any

import numpy as np
import pytest

from tests.support.measure import cents, pitch
from tests.support.playing import RATE, sound
from tests.support.receiver_player import Player, key_hz

BEATING = sound([0.0], envelope={"attack_s": 0.2, "release_s": 0.1})
"""A slow attack: a note that starts again is heard to."""


def basic(mode: int, channel: int = 3, **more: Any) -> Player:
    return Player(controller={"mode": mode, "basic_channel": channel, **more})


# GM2 2.5: every channel is a receiver in mode 3 at power-on.
def test_by_default_every_channel_plays() -> None:
    player = Player()
    for channel in range(16):
        player.send(bytes((0x90 | channel, 50 + channel, 100)))
    assert player.accounts == {"sounding": 16}


# MIDI p. 25; GM2 3.5.1: muted as fast as possible without a click, pedals notwithstanding.
def test_all_sound_off_silences_its_channel_whatever_the_pedals() -> None:
    player = Player().control(64, 127).control(66, 127).send("90 45 7F", "91 51 7F", "80 45 40")
    player.wait(0.1).control(120, 0).wait(0.006)
    assert player.level(69) < -100
    assert player.level(81) > -60
    assert player.accounts == {"sounding": 1, "cut": 1}


def test_all_sound_off_makes_no_click() -> None:
    player = Player().send("90 3C 7F").wait(0.1)
    step = player.step(0.05)
    assert player.control(120, 0).step(0.05) < 2 * step


# MIDI p. 25: All Notes Off is a release, not a cut; A-5: hold keeps the notes.
def test_all_notes_off_releases_and_hold_keeps() -> None:
    player = Player().send("90 45 7F").wait(0.1).control(123, 0)
    assert player.hear(0.02).any()
    assert player.wait(0.4).silent()
    player.control(64, 127).send("90 45 7F").wait(0.1).control(123, 0).wait(0.5)
    assert player.level() > -60
    player.control(64, 0).wait(0.4)
    assert player.silent()


# GM2 3.5.4: Omni Off and On only let the notes go, in a receiver of sixteen channels.
@pytest.mark.parametrize("number", [124, 125])
def test_omni_only_releases_where_every_channel_is_its_own(number: int) -> None:
    player = Player().send("90 45 7F", "91 51 7F").control(number, 0).wait(0.4)
    assert player.accounts == {"sounding": 1, "released": 1}
    player.send("92 30 7F")
    assert player.accounts["sounding"] == 2


# GM2 3.5.5: mono on with M = 1 is mode 4, other values are ignored; poly on is mode 3 again.
def test_mono_and_poly_by_message() -> None:
    player = Player().control(126, 1).send("90 45 7F", "90 51 7F")
    assert player.instrument.sounding == 1
    player.control(127, 0).wait(0.4).send("90 45 7F", "90 51 7F")
    assert player.instrument.sounding == 2


@pytest.mark.parametrize("count", [0, 2, 16])
def test_mono_for_another_number_of_channels_is_ignored(count: int) -> None:
    player = Player().send("90 45 7F").control(126, count).send("90 51 7F")
    assert player.accounts == {"sounding": 2}


def test_local_control_does_nothing_here() -> None:
    player = Player().send("90 45 7F").control(122, 0).control(122, 127)
    assert player.accounts == {"sounding": 1}


# MIDI p. 7, 22: the four modes with a basic channel.
@pytest.mark.parametrize(("mode", "sounding"), [(1, 2), (2, 1), (3, 1), (4, 2)])
def test_a_mode_hears_what_the_standard_says(mode: int, sounding: int) -> None:
    player = basic(mode).send("92 45 7F", "95 51 7F")
    assert player.instrument.sounding == sounding
    assert player.accounts.get("channel not listened to", 0) == (mode == 3)


def test_in_omni_controls_of_any_channel_are_those_of_the_instrument() -> None:
    player = basic(1).send("95 45 7F", "E9 00 00")
    assert player.cents(67) == pytest.approx(0.0, abs=0.05)


def test_mode_messages_count_on_the_basic_channel_alone() -> None:
    player = basic(1).send("95 45 7F", "B5 7E 01", "95 51 7F")
    assert player.instrument.sounding == 2
    player.send("B2 7E 01").wait(0.5).send("92 45 7F", "92 51 7F", "93 30 7F")
    assert player.instrument.sounding == 1  # mode 2: omni stays on


# MIDI p. 8 and 25: these two are ignored while omni is on ...
@pytest.mark.parametrize("number", [121, 123])
def test_omni_on_ignores_all_notes_off_and_reset(number: int) -> None:
    player = basic(1).send("92 45 7F", "B2 01 40").send(bytes((0xB2, number, 0)))
    assert player.accounts == {"sounding": 1}
    assert player.instrument.channel(2).values[1] == 0x40


# ... but a change of mode lets all notes go.
def test_a_change_of_mode_lets_all_notes_go() -> None:
    player = basic(1).send("92 45 7F", "B2 7C 00")
    assert player.accounts == {"released": 1}
    player.send("95 45 7F")
    assert player.accounts["channel not listened to"] == 1


# MIDI p. 23: M channels from the basic one; 0 stands for as many as there are.
def test_mono_with_a_number_of_channels() -> None:
    player = basic(3).send("B2 7E 02")
    for channel in (2, 3, 4):
        player.send(bytes((0x90 | channel, 60, 100)), bytes((0x90 | channel, 64, 100)))
    assert player.instrument.sounding == 2
    assert player.accounts["channel not listened to"] == 2
    player.send("B2 7E 00", "9F 30 7F")
    assert player.accounts["channel not listened to"] == 2


# running status is the wire's; a mode message for another channel is not acted on, a
# controller behind it is.
def test_a_mode_message_of_another_channel_is_not_ours() -> None:
    player = basic(1).send("95 45 7F", "B0 7C 00", "B0 01 37")
    assert player.accounts == {"sounding": 1}
    assert player.instrument.channel(2).values[1] == 0x37


def test_other_channels_in_the_settings_let_nothing_hang() -> None:
    player = Player().send("90 45 7F", "91 51 7F", "B1 40 7F").wait(0.1)
    narrow = player.instrument.settings.controller.model_copy(update={"channels": [1]})
    player.instrument.apply(player.instrument.settings.model_copy(update={"controller": narrow}))
    player.wait(0.4)
    assert player.silent()
    assert player.accounts == {"cut": 2}
    player.send("90 45 7F", "91 51 7F")
    assert player.accounts == {"cut": 2, "sounding": 1, "channel not listened to": 1}


# --- mono and legato --------------------------------------------------------------------------


# MIDI p. 22: in mono mode overlapping notes are legato: the pitch changes, envelopes go on.
def test_overlapping_notes_in_mono_mode_are_slurred() -> None:
    player = Player(BEATING).control(126, 1).send("90 45 7F").wait(0.3)
    before = player.level(69)
    player.send("90 48 7F").wait(0.01)
    audio = player.hear(0.1)[:, 0]
    assert np.abs(audio).max() > 0.9 * 10 ** (before / 20)
    assert player.cents(72) == pytest.approx(0.0, abs=0.05)
    assert player.instrument.sounding == 1
    player.send("80 45 40", "80 48 40").wait(0.4)
    assert player.silent()
    assert player.accounts == {"retriggered": 1, "released": 1}


def test_a_slur_makes_no_click() -> None:
    player = Player().control(126, 1).send("90 45 7F").wait(0.1)
    step = player.step(0.05)
    assert player.send("90 47 7F").step(0.05) < 1.5 * step


def test_detached_notes_in_mono_mode_start_again() -> None:
    player = Player(BEATING).control(126, 1).send("90 45 7F").wait(0.3).send("80 45 40")
    player.send("90 48 7F").wait(0.02)
    assert np.abs(player.hear(0.01)).max() < 0.002
    assert player.wait(0.3).level(72) > -60


def test_a_mono_line_goes_back_to_the_key_that_is_still_down() -> None:
    player = Player().control(126, 1).send("90 45 7F", "90 48 7F", "90 4C 7F").wait(0.1)
    player.send("80 48 40", "80 4C 40")
    assert player.cents(69) == pytest.approx(0.0, abs=0.05)
    player.send("80 45 40").wait(0.4)
    assert player.silent()


# MIDI p. 14: legato footswitch, mono while it is down, then what it was before.
def test_the_legato_footswitch_slurs_and_gives_back_the_mode() -> None:
    player = Player().control(68, 127).send("90 45 7F", "90 48 7F")
    assert player.instrument.sounding == 1
    player.send("80 45 40", "80 48 40").control(68, 0).wait(0.4).send("90 45 7F", "90 48 7F")
    assert player.instrument.sounding == 2


@pytest.mark.parametrize("ending", ["B0 7B 00", "B0 78 00", "FF", "B0 79 00"])
def test_no_key_of_a_line_comes_back_after_its_end(ending: str) -> None:
    player = Player().control(126, 1).send("90 45 7F", "90 48 7F", ending)
    player.send("80 48 40").wait(0.5)
    if ending == "B0 79 00":  # a reset lets no key go
        player.send("80 45 40").wait(0.5)
    assert player.silent()


# --- portamento -------------------------------------------------------------------------------


def course(player: Player, pieces: int, near: float) -> list[float]:
    """Return the pitch in cents from ``near`` in stretches of 50 ms."""
    found = []
    for _ in range(pieces):
        hertz = pitch(player.hear(0.05)[:, 0], RATE, key_hz(near), 1500.0)
        found.append(cents(hertz, key_hz(near)))
    return found


# GM2 3.3.3: on from 64; from the note before; slower for more.
def test_portamento_glides_from_the_note_before() -> None:
    player = Player().control(65, 127).control(5, 64).send("90 45 7F").wait(0.2)
    player.send("80 45 40").wait(0.4).send("90 51 7F")
    heard = course(player, 20, 81)
    assert heard[0] < -1000
    assert (np.diff(heard) > -1.0).all()
    assert heard[-1] == pytest.approx(0.0, abs=0.5)
    steps = np.diff([each for each in heard if -1100 < each < -100])
    assert steps == pytest.approx([steps[0]] * len(steps), rel=0.05)


def test_a_longer_portamento_time_is_slower_and_none_is_at_once() -> None:
    arrived = []
    for time in (0, 40, 80, 127):
        player = Player().control(65, 127).control(5, time).send("90 45 7F").wait(0.1)
        player.send("80 45 40", "90 51 7F").wait(0.1)
        arrived.append(course(player, 1, 81)[0])
    assert arrived[0] == pytest.approx(0.0, abs=1.0)
    assert arrived[1] > arrived[2] > arrived[3] > -1201


def test_without_the_switch_nothing_glides() -> None:
    player = Player().control(5, 100).send("90 45 7F").wait(0.1).send("80 45 40", "90 51 7F")
    assert player.cents(81) == pytest.approx(0.0, abs=0.05)


def test_a_glide_follows_the_bend_as_well() -> None:
    player = Player().control(65, 127).control(5, 60).send("90 45 7F").wait(0.1)
    player.send("80 45 40", "90 51 7F").wait(0.05).send("E0 00 00").wait(1.0)
    assert player.cents(79) == pytest.approx(0.0, abs=0.05)


def test_a_slurred_line_glides_if_it_is_to() -> None:
    player = Player().control(126, 1).control(65, 127).control(5, 64).send("90 45 7F").wait(0.1)
    heard = course(player.send("90 51 7F"), 20, 81)
    assert heard[0] < -1000
    assert heard[-1] == pytest.approx(0.0, abs=0.5)


# MIDI p. 17, first example (its bytes from memory): 60 sounds; from 60 to 64 without a new attack;
# the Note Off of 60 does nothing, that of 64 ends it.
def test_portamento_control_from_a_sounding_note_is_legato() -> None:
    player = Player(BEATING).control(5, 60).send("90 3C 40").wait(0.3)
    player.send("B0 54 3C", "90 40 40")
    assert player.instrument.sounding == 1
    player.wait(0.5).send("80 3C 40")
    assert player.cents(64) == pytest.approx(0.0, abs=0.05)
    player.send("80 40 40").wait(0.4)
    assert player.silent()


# The second example: nothing sounds at the source; the note begins there and glides.
def test_portamento_control_from_a_silent_key_begins_there() -> None:
    player = Player().control(5, 80).send("B0 54 3C", "90 40 40").wait(0.02)
    assert course(player, 1, 60)[0] == pytest.approx(30.0, abs=40.0)
    player.wait(1.0)
    assert player.cents(64) == pytest.approx(0.0, abs=0.05)
    player.send("80 40 40").wait(0.4)
    assert player.silent()


# MIDI p. 16: for the next note only, and whatever CC 65 says.
def test_portamento_control_is_for_one_note() -> None:
    player = Player().control(5, 100).send("B0 54 3C", "90 40 40", "80 40 40").wait(0.5)
    player.send("90 48 40")
    assert player.cents(72) == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("block", [32, 1024])
def test_glides_do_not_depend_on_the_block(block: int) -> None:
    """Heard alike to -100 dB, however it is cut."""
    heard = []
    for frames in (64, block):
        player = Player(block=frames).control(65, 127).control(5, 70).control(1, 60)
        player.control(76, 100).send("90 45 7F")
        player.wait(4096 / RATE).send("90 51 7F", "A0 51 50")
        player.wait(4096 / RATE).send("E0 00 50")
        heard.append(player.hear(32768 / RATE))
    assert np.abs(heard[0] - heard[1]).max() < 1e-5 * np.abs(heard[0]).max()
