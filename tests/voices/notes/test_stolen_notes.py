"""Stolen notes: each would have sounded until its own key and its own pedal were up."""

import pytest

from tests.support.playing import sound
from tests.support.receiver_player import Player
from voices.notes.note_count import Ledger, Note
from voices.notes.stolen_notes import StolenNotes

ADDRESS = (1, 0, 60)


@pytest.fixture
def note() -> Note:
    return Ledger().note_on(1, 1, 60, 100, 0)


def stolen(note: Note, *, key_down: bool = True) -> StolenNotes:
    held = StolenNotes(Ledger())
    held.add(ADDRESS, note, key_down=key_down)
    return held


def test_it_would_have_sounded_until_its_key_came_up(note: Note) -> None:
    held = stolen(note)
    held.key_up((1, 0, 61), 10, pedal=False)
    assert note.held_until is None
    held.key_up(ADDRESS, 20, pedal=False)
    held.key_up(ADDRESS, 30, pedal=False)
    assert note.held_until == 20


def test_a_pedal_would_have_held_it_longer(note: Note) -> None:
    held = stolen(note)
    held.pedal_up(1, 0, 5)
    assert note.held_until is None
    held.key_up(ADDRESS, 10, pedal=True)
    held.pedal_up(1, 1, 15)
    held.pedal_up(0, 0, 16)
    assert note.held_until is None
    held.pedal_up(1, 0, 20)
    assert note.held_until == 20


@pytest.mark.parametrize(("pedal", "until"), [(False, 10), (True, 20)])
def test_all_keys_of_its_channel_come_up_at_once(note: Note, pedal: bool, until: int) -> None:
    held = stolen(note)
    held.keys_up(1, 1, 5, pedal=False)
    held.keys_up(0, 0, 6, pedal=False)
    held.keys_up(1, 0, 10, pedal=pedal)
    held.pedal_up(1, 0, 20)
    assert note.held_until == until


def test_its_controller_is_unplugged(note: Note) -> None:
    held = stolen(note, key_down=False)
    held.end_controller(0, 10)
    assert note.held_until is None
    held.end_controller(1, 20)
    assert note.held_until == 20
    assert not held.notes


def test_all_sound_off_ends_what_is_stolen_too() -> None:
    player = Player(polyphony=1).send("90 3C 64", "90 40 64", "91 41 64").wait(0.05)
    player.send("B0 78 00").wait(0.05)
    on_this_channel, on_another = (player.instrument.ledger.notes[place] for place in (0, 2))
    assert on_this_channel.account == "stolen"
    assert on_this_channel.held_until is not None
    assert on_another.held_until is None


def test_a_note_that_has_died_away_takes_nobodys_voice() -> None:
    short = sound([0.0], envelope={"decay_s": 0.05, "sustain": 0.0})
    player = Player(short, polyphony=1).send("90 3C 64").wait(1.0).send("90 40 64")
    assert player.accounts == {"died away": 1, "sounding": 1}
