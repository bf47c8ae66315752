"""The repertoire: what it makes ready, what it takes over, and how much memory that needs."""

import pytest

from config.library import shipped
from config.settings import Settings
from voices.notes.repertoire import READY_KEYS, Repertoire

MOST_BYTES = 24 << 20


def repertoire(before: Repertoire | None = None, **settings: object) -> Repertoire:
    chosen = Settings.model_validate(settings)
    return Repertoire(chosen, shipped(), 48_000, 64, mono=False, before=before)


def sound(name: str) -> dict[str, object]:
    return {"name": name, "programs": [name, "market-organ"]}


def test_a_sound_that_is_unknown_is_played_as_the_one_in_force() -> None:
    made = repertoire(sound=sound("tower-bell"))
    assert made.voicing("no such sound") is made.voicing("tower-bell")


def test_every_key_of_most_controllers_is_ready_and_so_is_what_its_release_sounds_in() -> None:
    made = repertoire(sound=sound("struck-string"))
    ready = {(timbre, key) for timbre, key, _ in made.tables}
    for key in READY_KEYS:
        for timbre in made.voicing("struck-string").all_timbres(key):
            assert (timbre, key) in ready


def test_what_is_ready_is_used_again_unless_it_is_out_of_tune_now() -> None:
    first = repertoire(sound=sound("market-organ"), polyphony=4)
    second = repertoire(first, sound=sound("market-organ"), polyphony=9)
    assert all(second.tables[each] is place for each, place in first.tables.items())
    assert second.lines is first.lines
    retuned = repertoire(first, sound=sound("market-organ"), tuning={"a4_hz": 415.0})
    assert not set(retuned.tables) & set(first.tables)


def test_a_sound_that_its_owner_has_changed_is_made_again() -> None:
    first = repertoire(sound=sound("market-organ"))
    sounds = dict(shipped())
    sounds["market-organ"] = sounds["market-organ"].model_copy(update={"level_db": -40.0})
    second = Repertoire(first.settings, sounds, 48_000, 64, mono=False, before=first)
    assert second.voicing("market-organ") is not first.voicing("market-organ")
    assert second.voicing("market-organ").sound.level_db == -40.0


@pytest.mark.slow
@pytest.mark.parametrize("name", shipped())
def test_what_is_made_ready_stays_within_24_mib(name: str) -> None:
    made = repertoire(sound=sound(name))
    tables = {id(each): each for each, _ in made.tables.values()}.values()
    arrays = [array for each in tables for array in (*each.phasors, *each[1:])]
    lines = sum(made.lines.pieces.shape) * made.lines.pieces.itemsize
    assert sum(array.nbytes for array in arrays) + lines < MOST_BYTES
