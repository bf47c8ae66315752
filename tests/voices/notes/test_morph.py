"""Sounds that a knob leads to another, measured partial by partial."""

from typing import Any

import numpy as np
import pytest

from config.library import shipped
from config.settings import Settings
from config.sound import Sound
from tests.support.measure import db, partial_level, peak
from tests.support.measure_sounds import part, steady_loudness
from tests.support.playing import RATE, Event, Recording, control, on, play, program, settings_for
from tests.support.receiver_player import Player
from voices.notes.morph import FLOOR_DB
from voices.notes.repertoire import Repertoire

KEY, HZ, KNOB = 45, 110.0, 20
BOUND = [{"control": KNOB, "target": "morph"}]


def sound(*levels_db: float, ratios: list[float] | None = None) -> Sound:
    """Return a sound of one rank with these levels."""
    where = {"ratios": ratios} if ratios else {"harmonics": len(levels_db)}
    rank = {"levels_db": list(levels_db), **where}
    return Sound.model_validate({"title": "T", "about": "T.", "ranks": [rank]})


ONE = sound(0.0, -6.0, -12.0, -9.0)
OTHER = sound(-9.0, 0.0, -6.0, -3.0, ratios=[1.0, 2.0, 2.5, 6.02])
PLAIN = Sound.model_validate(
    {"title": "T", "about": "T.", "partials": {"level_db": [-9.0, 0.0], "ratio": [1.0, 2.0]}}
)
SOUNDS = {"one": ONE, "other": OTHER, "plain": PLAIN}
RATIOS = [1.0, 2.0, 2.5, 3.0, 4.0, 6.02]


def towards(settings: Settings, name: str) -> Settings:
    """Return settings that name the other sound."""
    return settings.model_copy(update={"sound": settings.sound.model_copy(update={"morph": name})})


def played(*turns: tuple[int, int], name: str = "one", to: str = "other") -> Recording:
    """Return a note; ``turns`` are frames, and where the knob is then."""
    settings = towards(settings_for(name, room={"level_db": -80.0}, bindings=BOUND), to)
    events = [control(at, KNOB, value) for at, value in turns]
    return play([*events, on(480, KEY, 100)], 57_344, settings=settings, sounds=SOUNDS)


def levels_db(audio: Recording, *ratios: float) -> list[float]:
    steady = part(audio, 0.6, 1.1)[:, 0]
    return [db(partial_level(steady, RATE, HZ * ratio)) for ratio in ratios]


@pytest.mark.parametrize("at", [0, 12_000])
def test_at_its_end_the_knob_has_led_every_partial_to_the_level_of_the_other_sounds(
    at: int,
) -> None:
    turned = levels_db(played((at, 127)), 1.0, 2.0, 2.5, 6.02)
    there = levels_db(played(name="other"), 1.0, 2.0, 2.5, 6.02)
    assert np.ptp(np.array(turned) - there) < 0.1
    lost = levels_db(played((at, 127)), 3.0, 4.0)
    assert max(lost) < max(turned) + FLOOR_DB + 15.0


def test_at_its_start_the_sound_is_as_it_was() -> None:
    alone = play(
        [on(480, KEY, 100)],
        57_344,
        settings=settings_for("one", room={"level_db": -80.0}),
        sounds=SOUNDS,
    )
    assert db(peak(played() - alone) / peak(alone)) < FLOOR_DB + 10.0
    assert db(peak(played((0, 0)) - alone) / peak(alone)) < FLOOR_DB + 10.0


def test_halfway_each_partial_has_the_mean_power_of_both() -> None:
    ends = np.array([levels_db(played((0, value)), *RATIOS) for value in (0, 127)])
    middle = [levels_db(played((0, value)), *RATIOS) for value in (63, 64)]
    wanted = 10.0 * np.log10((10.0 ** (ends / 10)).mean(axis=0))
    assert np.ptp(np.mean(middle, axis=0) - wanted) < 1.0


@pytest.mark.parametrize("value", [0, 64, 127])
def test_all_the_way_it_is_as_loud(value: int) -> None:
    assert steady_loudness(played((0, value))) == pytest.approx(
        steady_loudness(played(name="other")), abs=0.4
    )


def test_a_sound_of_one_column_may_be_where_it_leads_but_stays_as_it_is_itself() -> None:
    turned = levels_db(played((0, 127), to="plain"), 1.0, 2.0)
    assert turned[1] - turned[0] == pytest.approx(9.0, abs=0.1)
    still = played(name="plain")
    assert np.abs(played((0, 127), name="plain") - still).max() < 1e-5 * peak(still)


def repertoire(**more: Any) -> Repertoire:
    settings = Settings.model_validate(more)
    return Repertoire(settings, shipped(), RATE, 64, mono=False)


@pytest.mark.parametrize("bindings", [[], BOUND])
def test_partials_of_the_other_sound_are_there_only_if_a_knob_can_bring_them_in(
    bindings: list[dict[str, Any]],
) -> None:
    made = repertoire(sound={"name": "stopped-flute", "morph": "tower-bell"}, bindings=bindings)
    counts = [
        sum(timbre.count for timbre in each.voicing("stopped-flute").timbres(60))
        for each in (made, repertoire(sound={"name": "stopped-flute"}))
    ]
    assert (counts[0] > counts[1]) == bool(bindings)


@pytest.mark.parametrize("name", ["market-organ", "struck-string", "string-section", "hand-bell"])
def test_on_every_key_a_note_finds_room_in_the_banks_that_are_made(name: str) -> None:
    made = repertoire(sound={"name": name, "morph": "wheel-drone"}, bindings=BOUND)
    voicing = made.voicing(name)
    for key in range(0, 128, 9):
        shapes = [(timbre.partials, timbre.side_count) for timbre in voicing.all_timbres(key)]
        assert set(shapes) <= set(made.shapes()), key
        assert max(shapes)[0] <= 128


def test_what_is_on_its_way_does_not_depend_on_the_block() -> None:
    settings = settings_for(
        *("market-organ", "struck-string"),
        **{"level": {"volume_db": -30.0}, "bindings": BOUND},
        zones=[{"keys": [0, 70]}, {"keys": [60, 127], "sound": "string-celeste"}],
    )
    settings = towards(settings, "sung-vowels")
    turns: list[Event] = [control(2000 + 150 * n, KNOB, n) for n in range(128)]
    events = [on(480, 48, 100), on(700, 64, 90), program(9000, 1), on(12_000, 52, 80), *turns]
    takes = [play(events, 32_768, settings=settings, block_frames=each) for each in (1024, 64)]
    assert db(peak(takes[1] - takes[0]) / peak(takes[0])) < -90.0


def test_a_vowel_keeps_its_knob_where_no_sound_is_named() -> None:
    bindings = [*BOUND, {"control": 21, "target": "vowel"}]
    player = Player(shipped()["sung-vowels"], bindings=bindings)
    channel = player.control(KNOB, 127).wait(0.1).instrument.channel(0)
    assert channel.targets[-2:] == [0.0, 0.0]
    player.control(21, 127).wait(0.1)
    assert sorted(channel.targets[-2:]) == [0.0, 100.0]
