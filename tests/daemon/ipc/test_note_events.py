"""What became of notes, handed from the player to the keeper."""

import random

import numpy as np

from config.settings import Settings
from daemon.ipc.note_events import RECORD_BYTES, SLOTS, NoteEvents
from voices.instrument import Instrument
from voices.notes.note_count import Note


def two_ends() -> tuple[NoteEvents, NoteEvents, bytearray]:
    memory = bytearray(NoteEvents.SIZE)
    return NoteEvents(memoryview(memory)), NoteEvents(memoryview(memory)), memory


def note(serial: int, **more: object) -> Note:
    return Note(serial, 1, 3, 60, 100, 48 * serial, **more)  # type: ignore[arg-type]


def test_what_is_taken_is_what_was_put_oldest_first() -> None:
    player, keeper, _ = two_ends()
    stolen = note(2, ended_frame=900, account="stolen", taken_by=18)
    for each in (note(1), stolen):
        player.put(each)
    assert keeper.take() == [note(1), stolen]
    assert keeper.take() == []
    player.put(note(3))
    assert keeper.take() == [note(3)]


def test_a_reader_that_comes_too_late_gets_the_latest_and_knows_how_many_it_missed() -> None:
    player, keeper, _ = two_ends()
    for serial in range(SLOTS + 10):
        player.put(note(serial))
    assert [each.serial for each in keeper.take()] == list(range(10, SLOTS + 10))
    assert keeper.missed == 10


def test_a_record_half_written_is_not_taken_for_a_note() -> None:
    player, keeper, memory = two_ends()
    player.put(note(1))
    player.put(note(2))
    memory[8 + RECORD_BYTES + 20] ^= 0xFF
    assert keeper.take() == [note(1)]
    memory[8 + RECORD_BYTES + 20] ^= 0xFF
    assert keeper.take() == [note(2)]


def test_a_record_that_is_overwritten_while_it_is_read_is_missed_and_not_waited_for() -> None:
    player, keeper, memory = two_ends()
    for serial in range(SLOTS):
        player.put(note(serial))
    memory[8 + 20] ^= 0xFF  # the oldest: the player has begun to write another over it
    assert [each.serial for each in keeper.take()] == list(range(1, SLOTS))
    assert keeper.missed == 1


def test_what_was_taken_is_not_missed_when_it_is_overwritten() -> None:
    player, keeper, _ = two_ends()
    for serial in range(3 * SLOTS):
        player.put(note(serial))
        if serial % 100 == 99:
            assert len(keeper.take()) == 100
    assert keeper.missed == 0


def test_a_new_player_s_notes_begin_in_cleared_memory() -> None:
    player, keeper, memory = two_ends()
    player.put(note(1))
    keeper.clear()
    assert keeper.take() == []
    NoteEvents(memoryview(memory)).put(note(7))
    assert keeper.take() == [note(7)]


def test_every_note_s_last_record_is_what_the_instrument_s_own_ledger_says() -> None:
    chance = random.Random(25)
    settings = Settings.model_validate({"polyphony": 3, "controller": {"channels": [1, 2]}})
    instrument = Instrument(settings, sample_rate=48_000, block_frames=64)
    player, keeper, _ = two_ends()
    instrument.ledger.notify = player.put
    out = np.zeros((64, 2), np.float32)
    told: dict[int, Note] = {}
    refused = 0
    for _ in range(300):
        status = chance.choice([0x90, 0x90, 0x80, 0xB0]) | chance.randrange(3)
        number = 64 if status & 0xF0 == 0xB0 else chance.randrange(50, 60)
        instrument.take((status, number, chance.choice([0, 100])), chance.randrange(64))
        instrument.render(out)
        for each in keeper.take():
            refused += each.account == "channel not listened to"
            told[each.serial] = each
    assert refused == instrument.ledger.accounts()["channel not listened to"] > 0
    for kept in instrument.ledger.notes:
        assert told[kept.serial] == kept
    assert {"stolen", "released", "retriggered"} <= {each.account for each in told.values()}
