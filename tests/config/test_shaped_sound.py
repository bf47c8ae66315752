"""What knobs are at, written into a sound: it then sounds as they made it sound."""

import numpy as np
import pytest
from numpy.typing import NDArray

from config.library import shipped
from config.settings import Settings
from config.shaped_sound import shaped
from config.sound import Sound
from tests.support.measure import db, partial_level
from tests.support.playing import RATE
from voices.instrument import Instrument
from voices.timbres.voicing import Voicing

BINDINGS = [
    {"control": 20, "target": "tilt"},
    {"control": 21, "target": "even"},
    {"control": 22, "target": "partial", "partial": 3},
    {"control": 24, "target": "stretch"},
    {"control": 25, "target": "detuning"},
]
KEY, HZ = 69, 440.0


def heard(sound: Sound, *moves: bytes) -> NDArray[np.float64]:
    settings = {"sound": {"name": "it", "programs": []}, "room": {"level_db": -80.0}}
    instrument = Instrument(
        Settings.model_validate({**settings, "bindings": BINDINGS}),
        sample_rate=RATE,
        block_frames=64,
        sounds={"it": sound},
    )
    out, blocks = np.zeros((64, 2), np.float32), []
    for message in moves:
        instrument.take(message)
    for number in range(RATE // 64):
        if number == 300:
            instrument.take(bytes((0x90, KEY, 127)))
        instrument.render(out)
        blocks.append(out.astype(np.float64))
    return np.concatenate(blocks)[-RATE // 4 :]


def level_db(audio: NDArray[np.float64], hz: float) -> float:
    """Of both sides together."""
    left, right = (partial_level(side, RATE, hz) for side in audio.T)
    return db(float(np.hypot(left, right)))


def test_unmoved_knobs_leave_the_table_as_it_is() -> None:
    for sound in shipped().values():
        assert shaped(sound, {}) == sound.model_dump(exclude_unset=True)
        assert shaped(sound, {("tilt", 0): 0.0, ("volume", 0): -6.0}) == sound.model_dump(
            exclude_unset=True
        )


RANKED = Sound.model_validate(
    {
        "title": "Ranked",
        "about": "Made for a measurement.",
        "level_db": -30.0,
        "ranks": [{"harmonics": 6, "slope_db": -4.0, "even_db": -3.0}],
    }
)


@pytest.mark.parametrize("name", ["flat64", "stopped-flute", "ranked"])
def test_a_shaped_sound_sounds_as_the_knobs_made_it(name: str) -> None:
    """Sounds without beats, which begin elsewhere where partials stand in another order."""
    sound = RANKED if name == "ranked" else shipped()[name]
    moves = [b"\xb0\x14\x20", b"\xb0\x15\x20", b"\xb0\x16\x60"]
    values = {
        ("tilt", 0): -4.5,
        ("even", 0): -30.0,
        ("partial", 3): 6.0 * (0x60 - 64) / 63,
    }
    values["partial", 3] = -60.0 + 66.0 / 2 + 33.0 * (0x60 - 64) / 63
    table = shaped(sound, values)
    by_knobs, by_table = heard(sound, *moves), heard(Sound.model_validate(table))
    knobs, kept = (
        np.array([level_db(each, HZ * number) for number in (1, 2, 3, 4, 5)])
        for each in (by_knobs, by_table)
    )
    # A sound of ranks is as loud as all others are, whatever its tone.
    added = kept[0] - knobs[0] if sound.ranks else 0.0
    heard_at_all = knobs > -110
    assert kept[heard_at_all] == pytest.approx(knobs[heard_at_all] + added, abs=0.3)


@pytest.mark.parametrize("name", ["flat64", "pair"])
def test_a_kept_sound_is_stretched_and_in_tune_as_the_knobs_had_it(name: str) -> None:
    rank = {"harmonics": 6, "stretch": 0.0001, "pair": {"level_db": -3.0, "cents": 4.0}}
    plain = {"title": "T", "about": "T.", "level_db": -30.0, "ranks": [rank]}
    sound = Sound.model_validate(plain) if name == "pair" else shipped()[name]
    table = shaped(sound, {("stretch", 0): 0.0005, ("detuning", 0): 3.0})
    by_knobs = heard(sound, b"\xb0\x18\x7f", b"\xb0\x19\x7f")
    kept = Sound.model_validate(table)
    by_table, written = heard(kept), 0.0006 if sound.ranks else 0.0005
    for number in (1, 3, 5):
        stiff = (1 + written * number**2) / (1 + written)
        for cents in (0.0, 12.0) if sound.ranks else (0.0,):
            hertz = HZ * number * stiff**0.5 * 2 ** (cents / 1200)
            assert level_db(by_knobs, hertz) == pytest.approx(level_db(by_table, hertz), abs=0.7)


def test_unison_is_kept() -> None:
    rank = {"harmonics": 2, "beats_hz": 1.0, "pair": {"level_db": 0.0, "cents": 9.0}}
    sound = Sound.model_validate({"title": "T", "about": "T.", "ranks": [rank]})
    (kept,) = shaped(sound, {("detuning", 0): 0.0})["ranks"]
    assert (kept["beats_hz"], kept["pair"]["cents"]) == (0.0, 0.0)


def test_times_are_multiplied_within_their_bounds() -> None:
    table = shaped(shipped()["wooden-flute"], {("attack", 0): 1.0, ("release", 0): -20.0})
    sound, before = Sound.model_validate(table), shipped()["wooden-flute"]
    assert sound.envelope.attack_s == pytest.approx(2 * before.envelope.attack_s)
    assert sound.envelope.release_s == 0.02


def test_whatever_the_knobs_are_at_the_table_is_a_sound() -> None:
    ends = {"tilt": 24.0, "pan": 1.0, "tuning": 100.0, "attack": 10.0}
    ends |= {"decay": 10.0, "sustain": -60.0, "release": 10.0, "overtones": 24.0}
    for sign in (1.0, -1.0):
        moves = {(target, 0): sign * value for target, value in ends.items()}
        moves |= {("rank", 1): sign * 24.0, ("partial", 2): sign * 24.0}
        moves["sustain", 0] = -60.0
        moves["stretch", 0], moves["detuning", 0] = (0.001, 4.0) if sign > 0 else (0.0, 0.0)
        for sound in shipped().values():
            Sound.model_validate(shaped(sound, moves))


@pytest.mark.parametrize("name", ["market-organ", "tower-bell", "struck-string"])
def test_a_kept_sound_of_ranks_begins_with_the_phases_that_it_had(name: str) -> None:
    """Each partial of C4, told apart by its ratio, its place in its rank and its decay."""
    sound = shipped()[name]
    table = shaped(sound, {("tilt", 0): -4.5, ("even", 0): -20.0, ("rank", 1): -6.0})

    def phases(each: Sound) -> list[tuple[float, ...]]:
        found = []
        for timbre in Voicing(each, RATE).timbres(60):
            turns = np.angle(timbre.with_levels(np.ones(timbre.partials)).sets[0, 0])
            known = *timbre.properties[[0, 2]].round(6), timbre.decays.round(9), turns
            found += list(zip(*(column[: timbre.count].tolist() for column in known), strict=True))
        return sorted(found)

    kept, before = phases(Sound.model_validate(table)), phases(sound)
    assert np.allclose(kept, before, atol=1e-5)
