"""Settings files at power-on: a faulty one plays as it was; one of another name is pointed out."""

import json
import os
from pathlib import Path

import pytest

from config.settings import Settings
from daemon.storage.deferred_writes import PAUSE_US, DeferredWrites
from daemon.storage.last_good import NAME, LastGood
from daemon.storage.settings_files import LoadedSettings, SettingsFiles


class Card:
    """A memory card: two boots of one board share it."""

    def __init__(self, folder: Path) -> None:
        names = ("owner", "learned", "boot")
        self.usual = [folder / name / "partiald.toml" for name in names]
        for path in self.usual:
            path.parent.mkdir()
        self.owner, _, self.boot = self.usual
        self.place = folder / "learned/last-good.json"
        self.boots()

    def boots(self) -> LoadedSettings:
        self.pauses = DeferredWrites()
        last_good = LastGood(self.pauses.request, self.place)
        self.files = SettingsFiles(None, [], last_good, self.usual)
        return self.files.load()

    def rests(self) -> None:
        """Let the music pause."""
        for now_us in (0, PAUSE_US, 2 * PAUSE_US):
            self.pauses.tick(0, 0, now_us)


@pytest.fixture
def card(tmp_path: Path) -> Card:
    return Card(tmp_path)


def test_a_faulty_file_plays_as_it_was_when_last_good(card: Card) -> None:
    card.owner.write_text("polyphony = 7\n")
    card.boot.write_text("[tuning]\na4_hz = 415.0\n")
    card.boots()
    card.rests()
    card.owner.write_text("polyphony = 0\n")
    loaded = card.boots()
    assert loaded.settings == Settings.model_validate({"polyphony": 7, "tuning": {"a4_hz": 415.0}})
    assert loaded.faults == [f"{card.owner}: line 1: polyphony = 0: must be 1 to 256"]
    assert loaded.remarks == [f"{card.owner}: plays as it was before the fault"]
    # The faulty text never takes the good one's place.
    assert card.pauses.pending == []
    assert card.boots().settings.polyphony == 7


def test_a_mended_file_and_a_deleted_one_are_taken_as_they_are(card: Card) -> None:
    card.owner.write_text("polyphony = 7\n")
    card.boots()
    card.rests()
    card.owner.write_text("polyphony = 9\n")
    assert card.boots().settings.polyphony == 9
    card.rests()
    card.owner.unlink()
    assert card.boots().settings == Settings()


def test_nothing_is_written_before_a_pause_nor_what_is_there_already(card: Card) -> None:
    card.owner.write_text("polyphony = 7\n")
    card.boots()
    assert card.pauses.pending == [NAME]
    assert not card.place.exists()
    card.rests()
    assert list(json.loads(card.place.read_text())) == [str(card.owner)]
    card.boots()
    assert card.pauses.pending == []


@pytest.mark.parametrize("kept", [b"", b"{", b"[1]", b"\xff\xfe", b'{"a": 1}', b"null"])
def test_damaged_keepings_are_none(card: Card, kept: bytes) -> None:
    card.place.write_bytes(kept)
    card.owner.write_text("polyphony = 0\n")
    loaded = card.boots()
    assert loaded.settings == Settings()
    assert len(loaded.faults) == 1


def test_a_last_good_text_that_is_none_any_more_is_left_out(card: Card) -> None:
    card.owner.write_text("polyphony = 7\n")
    card.boots()
    card.rests()
    card.place.write_text(card.place.read_text().replace("polyphony", "polyfony"))
    card.owner.write_text("polyphony = 0\n")
    assert card.boots().settings == Settings()


def test_a_file_that_a_system_gave_a_second_ending_is_pointed_out(card: Card) -> None:
    before = card.files.stamp()
    odd = card.boot.with_name("partiald.toml.txt")
    odd.write_text("polyphony = 7\n")
    assert card.files.stamp() != before
    loaded = card.files.load()
    assert loaded.settings == Settings()
    assert loaded.remarks == [f"{odd}: is not read: take '.txt' off its name"]


def test_a_second_edit_within_one_step_of_a_coarse_clock_is_noticed(card: Card) -> None:
    """As on FAT: the same size, the same time, the same place on the partition."""
    card.boot.write_text("polyphony = 16\n")
    os.utime(card.boot, (1000, 1000))
    before = card.files.stamp()
    card.boot.write_text("polyphony = 32\n")
    os.utime(card.boot, (1000, 1000))
    assert card.files.stamp() == before
    card.files.note_changes({card.boot})
    assert card.files.stamp() != before
    before = card.files.stamp()
    card.files.note_changes({card.boot.with_name("kernel.img")})
    assert card.files.stamp() == before
