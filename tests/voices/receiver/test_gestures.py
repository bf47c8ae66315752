"""Keys as commands: what they do, that they do nothing else, and that no note is stranded."""

from random import Random
from typing import Any

import numpy as np
import pytest

from config.gestures import SETS
from config.settings import Settings
from tests.support.measure import db, partial_level
from tests.support.playing import RATE, difference_of_blocks, perform
from tests.support.receiver_player import RICH, Player, key_hz
from voices.instrument import Instrument

HELD = {"held": "key 36", "set": "twenty-five keys", "lowest": 36}
WORDS = {words: 36 + above for above, words in SETS["twenty-five keys"].items()}


def player_of(**more: Any) -> Player:
    gestures = HELD | more.pop("gestures", {})
    chosen = {"name": "x", "programs": ["x", "other", "gone"]}
    return Player(gestures=gestures, sound=chosen, **more)


def command(player: Player, *words: str) -> Player:
    """Hold the lowest key and strike others."""
    player.send("90 24 40")
    for each in words:
        key = WORDS[each]
        player.send(bytes((0x90, key, 64)), bytes((0x80, key, 64)))
    return player.send("80 24 40")


def heard(player: Player, key: float) -> bool:
    player.wait(0.05)
    return db(partial_level(player.hear(0.1)[:, 0], RATE, key_hz(key))) > -70


def told(player: Player) -> list[str]:
    return [each.words for each in player.instrument.gestures]


def test_by_default_no_key_is_a_command() -> None:
    player = Player().send("90 24 40", "90 26 40")
    assert player.accounts == {"sounding": 2}


def test_while_a_key_is_held_others_are_commands_and_make_no_sound() -> None:
    player = command(player_of(), "octave up")
    assert player.silent()
    assert player.accounts == {"taken as a command": 2}
    assert told(player) == ["octave up: +1"]
    player.send("90 45 7f")
    assert heard(player, 81)


def test_a_key_without_a_command_is_silent_as_well_while_they_are_taken() -> None:
    player = player_of().send("90 24 40", "90 60 40")
    assert player.silent()
    assert player.accounts == {"taken as a command": 2}
    assert told(player) == []


def test_a_note_that_sounds_stays_where_it_is_over_an_octave_and_ends_with_its_key() -> None:
    player = player_of().send("90 45 7f").wait(0.1)
    command(player, "octave up", "transpose up")
    assert heard(player, 69)
    assert not heard(player, 82)
    player.send("90 48 7f")
    assert heard(player, 85)
    player.send("80 45 40", "80 48 40").wait(0.5)
    assert player.silent()


def test_octave_and_transposition_have_an_end_and_go_back() -> None:
    player = command(player_of(), *["octave up"] * 9, *["transpose down"] * 20)
    channel = player.instrument.channel(0)
    assert (channel.octave, channel.transposed) == (5, -12)
    assert told(player)[-1] == "transpose down: +5 and -12 keys"
    command(player, "as written")
    assert channel.shift == 0
    assert player.instrument.channel(7).shift == 0


def test_the_next_sound_is_the_next_program_that_there_is() -> None:
    player = player_of()
    names = []
    for words in ("next sound", "next sound", "previous sound", "sound 2", "sound 3"):
        command(player, words)
        names.append(player.instrument.channel(0).sound)
    assert names == ["other", "x", "other", "other", "other"]
    last = player.instrument.gestures[-1]
    assert (last.words, last.program) == ("sound 3: there is none", (-1, -1))
    assert player.instrument.gestures[0].program == (0, 1)


def test_a_sound_chosen_by_a_key_sounds_as_one_chosen_by_a_program_change() -> None:
    """As dark with the expression turned down: a sound may have a swell of its own."""
    programs = {"name": "sine", "programs": ["sine", "bowed-string"]}
    settings = Settings.model_validate({"gestures": HELD, "sound": programs})
    heard = []
    for chosen in (
        lambda player: command(player, "next sound"),
        lambda player: player.send("C0 01"),
    ):
        player = Player()
        player.instrument = Instrument(settings, sample_rate=RATE, block_frames=256)
        player.control(11, 30).wait(0.1)
        chosen(player).wait(0.1).send("90 45 40").wait(0.3)
        tone = player.hear(0.2)[:, 0]
        heard.append([db(partial_level(tone, RATE, n * key_hz(69))) for n in (1, 4)])
    assert heard[0] == pytest.approx(heard[1], abs=0.5)
    assert heard[0][0] > -70


def test_latched_keys_sound_on_until_they_are_latched_again() -> None:
    player = player_of().send("90 45 7f", "90 48 7f")
    command(player, "latch").send("80 45 40", "80 48 40").wait(0.5)
    assert heard(player, 69)
    assert heard(player, 72)
    command(player, "latch").wait(0.5)
    assert told(player) == ["latch: 2 held", "latch: 2 released"]
    assert player.silent()


def test_a_latched_key_that_is_struck_is_an_ordinary_one_again() -> None:
    player = player_of().send("90 45 7f")
    command(player, "latch").send("80 45 40").wait(0.1)
    player.send("90 45 7f", "80 45 40").wait(0.5)
    assert player.silent()


def test_a_zone_is_switched_off_and_on_again() -> None:
    player = player_of(zones=[{"keys": [0, 127]}, {"octave": 1}])
    command(player, "zone 2").send("90 45 7f")
    assert heard(player, 69)
    assert not heard(player, 81)
    assert player.instrument.gestures[-1].zones_off == (2,)
    command(player, "zone 2", "zone 5").send("90 48 7f")
    assert heard(player, 84)
    assert told(player) == ["zone 2: off", "zone 2: on", "zone 5: there is none"]


def test_a_zone_that_is_switched_off_ends_its_drones_and_no_others() -> None:
    zones = [{"keys": [0, 60], "hold": True}, {"keys": [61, 127], "hold": True}]
    player = player_of(zones=zones).send("90 30 7f", "80 30 40", "90 45 7f", "80 45 40")
    command(player, "zone 1").wait(0.5)
    assert not heard(player, 48)
    assert heard(player, 69)


def test_the_tremulant_is_turned_on_and_off() -> None:
    player = command(player_of(), "tremulant", "tremulant")
    assert told(player) == ["tremulant: on", "tremulant: off"]


def test_panic_ends_everything() -> None:
    player = player_of().send("90 45 7f", "b0 40 7f", "80 45 40")
    command(player, "panic").wait(0.1)
    assert player.silent()


@pytest.mark.parametrize(
    ("held", "down", "up"),
    [
        ("control 66", "b0 42 7f", "b0 42 00"),
        ("control 20", "b0 14 7f", "b0 14 00"),
        ("program 8", "c0 07", ""),
    ],
)
def test_a_pedal_or_a_button_will_do_as_well(held: str, down: str, up: str) -> None:
    player = player_of(gestures={"held": held}).send(down, "90 28 40", "80 28 40")
    player.send(*([up] if up else [])).send("90 45 7f")
    assert told(player) == ["octave up: +1"]
    assert heard(player, 81)


def test_forget_by_a_button_is_three_strikes_in_a_row_with_no_note_between() -> None:
    player = player_of(gestures={"held": "program 8"})
    strike = ("c0 07", f"90 {WORDS['forget']:02x} 40", f"80 {WORDS['forget']:02x} 40")
    player.send(*strike, *strike, "90 45 7f", "80 45 40", *strike, *strike)
    assert told(player)[-1] == "forget: 1 more to go"
    player.send(*strike)
    assert told(player)[-1] == "forget"
    assert told(player).count("forget") == 1


def test_a_pedal_that_is_told_to_be_down_at_plugging_in_makes_no_key_a_command() -> None:
    player = player_of(gestures={"held": "control 64"})
    player.instrument.tell(b"\xb0\x40\x7f")
    player.send("90 28 40")
    assert player.accounts == {"sounding": 1}
    player.send("b0 40 00", "b0 40 7f", "90 28 40")
    assert player.accounts["taken as a command"] == 1


def test_a_key_let_go_that_was_held_before_anybody_listened_does_nothing() -> None:
    player = player_of().send("80 24 40", "90 28 40")
    assert player.accounts == {"sounding": 1}


def test_an_unplugged_controller_holds_nothing_and_is_as_at_power_on_again() -> None:
    player = command(player_of(), "octave up").send("90 24 40")
    player.instrument.release_controller(0)
    player.send("90 45 7f")
    assert player.accounts["sounding"] == 1
    assert heard(player, 69)


def test_edited_gestures_let_go_what_is_held() -> None:
    player = player_of().send("90 24 40")
    settings = player.instrument.settings
    player.instrument.apply(
        Settings.model_validate(
            settings.model_dump(exclude_unset=True) | {"gestures": HELD | {"held": "key 37"}}
        )
    )
    player.send("90 26 40")
    assert player.accounts == {"taken as a command": 1, "sounding": 1}


def test_keys_of_the_owners_replace_those_of_the_set() -> None:
    player = player_of(gestures={"keys": {"40": "panic", "90": "latch"}})
    player.send("90 24 40", "90 28 40", "90 5a 40")
    assert told(player) == ["panic", "latch: 0 released"]


ZONES = [
    {"keys": [36, 70], "octave": 1},
    {"keys": [60, 96], "sound": "other"},
    {"keys": [48, 52], "hold": True},
]


def restless(seed: int, count: int) -> list[tuple[int, bytes]]:
    """Return so many gestures at random among random music, with knobs and pedals."""
    chance, at, events = Random(seed), 0, list[tuple[int, bytes]]()
    down: set[int] = set()
    for _ in range(count):
        at += chance.randrange(400)
        events.append((at, bytes((0x90, 36, 64))))
        for _ in range(chance.randrange(1, 4)):
            at += chance.randrange(60)
            key = chance.randrange(36, 62)
            events.append((at, bytes((0x90, key, 64))))
            if chance.random() < 0.9:
                events.append((at + chance.randrange(60), bytes((0x80, key, 64))))
        if chance.random() < 0.97:
            events.append((at, bytes((0x80, 36, 64))))
        for _ in range(chance.randrange(4)):
            at += chance.randrange(200)
            if down and chance.random() < 0.6:
                key = chance.choice(sorted(down))
                down.discard(key)
                events.append((at, bytes((0x80, key, 64))))
            else:
                key = chance.randrange(37, 100)
                down.add(key)
                events.append((at, bytes((0x90, key, chance.randrange(1, 128)))))
        if chance.random() < 0.1:
            number = chance.choice((64, 66, 67, 69, 74, 92))
            events.append((at, bytes((0xB0, number, chance.choice((0, 127))))))
        if chance.random() < 0.02:
            events.append((at, bytes((0xB0, chance.choice((120, 123, 126, 127)), 1))))
    return sorted(events, key=lambda event: event[0])


@pytest.mark.parametrize("count", [500, pytest.param(10_000, marks=pytest.mark.slow)])
def test_gestures_among_music_leave_no_note_and_every_one_is_counted(count: int) -> None:
    player = Player(
        RICH, polyphony=6, gestures=HELD, zones=ZONES, block=512, sound=_CHOICE, room=_DRY
    )
    instrument, out = player.instrument, np.zeros((512, 2), np.float32)
    struck, done = 0, 0
    for at, message in restless(7, count):
        while instrument.frame + 512 <= at:
            instrument.render(out)
            done += len(instrument.gestures)
            instrument.gestures.clear()
        instrument.take(message, at - instrument.frame)
        struck += message[0] == 0x90
        ledger = instrument.ledger
        assert ledger.received == sum(ledger.accounts().values()) == struck + ledger.layered
    assert done > count
    for key in range(128):
        player.send(bytes((0x80, key, 64)))
    for number in (64, 66, 69):
        player.control(number, 0)
    drones = [each for each in WORDS if each == "latch"]
    command(player, *drones)
    if instrument.ledger.accounts()["sounding"]:
        command(player, *drones)
    struck += 2
    player.wait(2.0)
    assert instrument.ledger.accounts()["sounding"] == 0
    assert player.silent()


def test_gestures_sound_the_same_however_they_are_cut_into_blocks() -> None:
    events = [(at, _Bytes(message)) for at, message in restless(3, 150)]
    settings = Settings.model_validate(
        {"sound": _CHOICE, "gestures": HELD, "zones": ZONES, "level": {"volume_db": -20.0}}
    )

    def recording(block: int) -> Any:
        sounds = {"x": RICH, "other": RICH}
        instrument = Instrument(settings, sample_rate=RATE, block_frames=block, sounds=sounds)
        return perform(instrument, block, events, 2 * RATE)

    assert difference_of_blocks(recording, 1e-4) < -100


_CHOICE = {"name": "x", "programs": ["x", "other"]}
_DRY = {"level_db": -80.0}


class _Bytes:
    """Bytes that are asked for as a message is."""

    def __init__(self, plain: bytes) -> None:
        self._plain = plain

    def bytes(self) -> list[int]:
        return list(self._plain)
