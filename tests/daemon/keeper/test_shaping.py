"""Sounds shaped, kept and forgotten, with the whole daemon in virtual time."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from config.library import read_sound, shipped
from daemon.control.requests import REQUEST
from daemon.keeper.answers import Answers
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.kept_sounds import MARK
from daemon.storage.learned import LearnedFile
from tests.support.virtual_daemon import KEYS, VirtualDaemon


class Bench:
    """A daemon that keeps sounds in a folder, and asks as a client does."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.folder = folder
        writes = DeferredWrites()
        self.learned = LearnedFile(writes.request, path=folder / "learned.toml")
        self.daemon = VirtualDaemon(kept=folder / "sounds", learned=self.learned, writes=writes)
        self.daemon.files.edit(**settings)
        self.daemon.keeper.start()
        self.daemon.ports.plug(KEYS)
        self.daemon.run(0.5)
        self.answers = Answers(
            *(self.daemon.keeper, self.daemon.controllers, self.daemon.supervisor),
            *(self.daemon.shaping, lambda: self.daemon.now_us),
        )

    def ask(self, what: str, **more: Any) -> dict[str, Any]:
        answer = self.answers.answer(REQUEST.validate_python({"ask": what, **more}), 1)
        self.daemon.run(0.3)
        return dict(answer)

    def rest(self, seconds: float) -> None:
        for _ in range(round(seconds)):
            self.daemon.run(1.0)
            self.answers.tick()


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def louder(name: str, by_db: float = 3.0) -> dict[str, Any]:
    table = shipped()[name].model_dump(exclude_unset=True)
    return table | {"level_db": table["level_db"] + by_db}


def test_a_draft_is_played_in_the_place_of_the_sound_until_it_is_taken_back(bench: Bench) -> None:
    assert bench.ask("sound")["name"] == "market-organ"
    assert bench.ask("shape", name="market-organ", table=louder("market-organ"))["shaped"]
    playing = bench.daemon.playing
    assert playing is not None
    pool = playing.instrument._pool  # type: ignore[attr-defined]
    assert pool.sounds["market-organ"].level_db == louder("market-organ")["level_db"]
    told = bench.ask("sound")
    assert told["table"] == louder("market-organ")
    assert told["kept"] == shipped()["market-organ"].model_dump(exclude_unset=True)
    assert not bench.ask("shape", name="market-organ", table=None)["shaped"]
    assert bench.ask("sound")["table"] == told["kept"]


def test_what_is_no_sound_changes_nothing_and_says_why(bench: Bench) -> None:
    wrong = louder("market-organ") | {"level_db": 99.0}
    assert "level_db = 99.0" in bench.ask("shape", name="market-organ", table=wrong)["faults"][0]
    assert bench.ask("sound")["table"] == bench.ask("sound")["kept"]
    assert bench.ask("shape", name="nobody", table=louder("sine"))["faults"]
    assert bench.ask("keep", name="mine", text="level_db = ")["faults"]
    assert bench.ask("keep", name="mine", text="level_db = 3.0\n")["faults"]
    assert not (bench.folder / "sounds").exists()


def test_what_is_kept_is_the_draft_as_the_knobs_shape_it(bench: Bench) -> None:
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.daemon.ports.send(KEYS, b"\xb0\x48\x40", bench.daemon.now_us)
    bench.daemon.ports.send(KEYS, b"\xb0\x48\x7f", bench.daemon.now_us)
    bench.daemon.run(0.1)
    answer = bench.ask("keep", name="mine")
    assert answer["of"] == "market-organ"
    path = bench.folder / "sounds" / "mine.toml"
    assert answer["path"] == str(path)
    sound, before = read_sound(path), shipped()["market-organ"]
    assert sound.level_db == before.level_db + 3.0
    assert sound.envelope.release_s > before.envelope.release_s
    assert path.read_text().startswith(MARK)


def test_a_kept_text_is_written_as_it_is(bench: Bench) -> None:
    text = "# My remark.\n" + "\n".join(
        [
            'title = "Mine"  # and this',
            'about = "Of my own."',
            "[partials]",
            "level_db = [0.0, -6.0]",
        ]
    )
    bench.ask("keep", name="mine", text=text)
    assert (bench.folder / "sounds" / "mine.toml").read_text() == f"{MARK}\n{text}"


def test_what_the_owner_has_put_there_is_never_replaced(bench: Bench) -> None:
    (bench.folder / "sounds").mkdir()
    (bench.folder / "sounds" / "mine.toml").write_text("# by hand\n")
    assert "was not kept by partiald" in bench.ask("keep", name="mine")["faults"][0]
    assert bench.ask("forget_all")["forgotten"] == []
    assert (bench.folder / "sounds" / "mine.toml").read_text() == "# by hand\n"


def test_forget_takes_back_after_a_look(bench: Bench) -> None:
    bench.ask("keep", name="mine")
    bench.daemon.ports.send(KEYS, b"\xc0\x04", bench.daemon.now_us)
    bench.rest(5)
    assert (bench.folder / "learned.toml").exists()
    look = bench.ask("forget_all", dry_run=True)
    assert not look["done"]
    assert len(look["forgotten"]) == 2
    assert (bench.folder / "sounds" / "mine.toml").exists()
    assert bench.ask("forget_all") == {"forgotten": look["forgotten"], "done": True}
    bench.rest(5)
    assert not (bench.folder / "sounds" / "mine.toml").exists()
    assert not (bench.folder / "learned.toml").exists(), "the sound is not learned once more"
    assert bench.ask("forget_all")["forgotten"] == []


def test_with_remember_shaping_a_draft_is_kept_once_ten_seconds_are_quiet(tmp_path: Path) -> None:
    bench = Bench(tmp_path, remember="shaping")
    path = tmp_path / "sounds" / "market-organ.toml"
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.rest(8)
    bench.daemon.play(60)
    bench.rest(12)
    assert not path.exists(), "a note is held"
    bench.daemon.ports.send(KEYS, b"\x80\x3c\x40", bench.daemon.now_us)
    bench.rest(14)
    assert tomllib.loads(path.read_text()) == louder("market-organ")


@pytest.mark.parametrize("remember", ["choices", "nothing"])
def test_otherwise_a_draft_is_kept_only_when_asked(tmp_path: Path, remember: str) -> None:
    bench = Bench(tmp_path, remember=remember)
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.rest(14)
    assert not (tmp_path / "sounds").exists()


def test_with_remember_nothing_no_choice_is_kept(tmp_path: Path) -> None:
    bench = Bench(tmp_path, remember="nothing")
    bench.daemon.ports.send(KEYS, b"\xc0\x04", bench.daemon.now_us)
    bench.rest(6)
    assert not (tmp_path / "learned.toml").exists()
