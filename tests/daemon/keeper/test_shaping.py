"""Sounds shaped, kept and forgotten, with the whole daemon in virtual time."""

import logging
import re
import tomllib
from math import log10
from pathlib import Path
from typing import Any

import pytest

from config.library import read_sound, shipped
from config.sound import Sound
from daemon.control.requests import REQUEST
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.kept_sounds import MARK
from daemon.storage.learned import LearnedFile
from daemon.storage.sound_text import text_of
from tests.support.virtual_daemon import VirtualDaemon
from voices.channels.shaping import Shaping


class Bench:
    """A daemon that keeps sounds in a folder, and asks as a client does."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.folder = folder
        writes = DeferredWrites()
        self.learned = LearnedFile(writes.request, path=folder / "learned.toml")
        self.daemon = VirtualDaemon(kept=folder / "sounds", learned=self.learned, writes=writes)
        self.daemon.files.edit(**settings)
        self.daemon.with_keys()
        self.answers = self.daemon.answers

    def ask(self, what: str, **more: Any) -> dict[str, Any]:
        answer = self.answers.answer(REQUEST.validate_python({"ask": what, **more}), 1)
        self.daemon.run(0.3)
        self.answers.left(1)  # none of these is a page
        return dict(answer)

    def turn(self, number: int, *values: int) -> None:
        self.daemon.hear(*(bytes((0xB0, number, value)) for value in values))
        self.daemon.run(0.1)

    def command(self, *keys: int) -> None:
        self.daemon.hear(*(bytes((0x90, key, 64)) for key in (36, *keys)))
        self.daemon.hear(*(bytes((0x80, key, 64)) for key in (*keys, 36)))
        self.daemon.run(0.3)

    def kept(self, name: str = "flat64") -> Path:
        """Return the file of a kept sound, there or not."""
        return self.folder / "sounds" / f"{name}.toml"

    @property
    def kept_second_db(self) -> float:
        return second_db(read_sound(self.kept()))

    @property
    def kept_names(self) -> list[str]:
        return sorted(path.stem for path in (self.folder / "sounds").iterdir())

    def read_kept(self) -> None:
        """Have the kept sounds read, as a daemon does when one has been written."""
        kept = {path.stem: read_sound(path) for path in (self.folder / "sounds").glob("*.toml")}
        loaded = self.daemon.files.loaded
        self.daemon.files.loaded = loaded._replace(sounds=kept)
        self.daemon.files.edits += 1
        self.daemon.run(1.0)

    @property
    def shape(self) -> Shaping:
        assert self.daemon.playing is not None
        return self.daemon.playing.instrument.channel(0).shape  # type: ignore[attr-defined,no-any-return]

    def rest(self, seconds: float) -> None:
        """Let some seconds pass, of which little is rendered."""
        for _ in range(round(seconds)):
            self.daemon.now_us += 900_000
            self.daemon.run(0.1)
            self.answers.tick()


GESTURES = {"held": "key 36", "keys": {"38": "keep", "40": "forget", "41": "octave up"}}
KNOBS = [{"control": 20, "target": "partial", "partial": 2}, {"control": 74, "target": "tilt"}]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def with_knobs(folder: Path, **settings: Any) -> Bench:
    """Return a bench whose sound has equal partials, with knobs for two of its properties."""
    return Bench(folder, **{"bindings": KNOBS, "sound": {"name": "flat64"}, **settings})


def second_db(sound: Sound) -> float:
    """Return the level of a sound's second partial beside its first: a tilt, if they were equal."""
    first, second, *_ = sound.levels
    return 20 * log10(second / first)


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
    bench.daemon.hear(b"\xb0\x48\x40", b"\xb0\x48\x7f")
    bench.daemon.run(0.1)
    answer = bench.ask("keep", name="mine")
    assert answer["of"] == "market-organ"
    path = bench.kept("mine")
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
    assert bench.kept("mine").read_text() == f"{MARK}\n{text}"


def test_what_the_owner_has_put_there_is_never_replaced(bench: Bench) -> None:
    (bench.folder / "sounds").mkdir()
    bench.kept("mine").write_text("# by hand\n")
    assert "was not kept by partiald" in bench.ask("keep", name="mine")["faults"][0]
    assert bench.ask("forget_all")["forgotten"] == []
    assert bench.kept("mine").read_text() == "# by hand\n"


def test_forget_takes_back_after_a_look(bench: Bench) -> None:
    bench.ask("keep", name="mine")
    bench.daemon.hear(b"\xc0\x04")
    bench.rest(5)
    assert (bench.folder / "learned.toml").exists()
    look = bench.ask("forget_all", dry_run=True)
    assert not look["done"]
    assert len(look["forgotten"]) == 2
    assert bench.kept("mine").exists()
    assert bench.ask("forget_all") == {"forgotten": look["forgotten"], "done": True}
    bench.rest(5)
    assert not bench.kept("mine").exists()
    assert not (bench.folder / "learned.toml").exists(), "the sound is not learned once more"
    assert bench.ask("forget_all")["forgotten"] == []


def test_forget_takes_a_draft_back(bench: Bench) -> None:
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    (told,) = bench.ask("forget_all")["forgotten"]
    assert "'market-organ' as shaped and not kept" in told
    assert bench.ask("sound")["table"] == bench.ask("sound")["kept"]
    assert heard(bench, "market-organ").level_db == shipped()["market-organ"].level_db


def test_with_remember_shaping_a_draft_is_kept_once_ten_seconds_are_quiet(tmp_path: Path) -> None:
    bench = Bench(tmp_path, remember="shaping")
    path = bench.kept("market-organ")
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.rest(8)
    bench.daemon.play(60)
    bench.rest(12)
    assert not path.exists(), "a note is held"
    bench.daemon.hear(b"\x80\x3c\x40")
    bench.rest(14)
    assert tomllib.loads(path.read_text()) == louder("market-organ")


def test_a_page_says_itself_whether_what_it_shapes_is_kept_unless_it_breaks_off(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path, remember="shaping")
    path = bench.kept("market-organ")
    draft = {"ask": "shape", "name": "market-organ", "table": louder("market-organ")}
    bench.answers.answer(REQUEST.validate_python(draft), 2)
    bench.rest(14)
    assert not path.exists(), "it is still at it"
    bench.answers.left(2)
    bench.rest(8)
    assert not path.exists()
    bench.rest(6)
    assert tomllib.loads(path.read_text()) == louder("market-organ")
    bench.answers.answer(REQUEST.validate_python(draft | {"name": "sine"}), 3)
    bench.answers.answer(REQUEST.validate_python(draft | {"name": "sine", "table": None}), 3)
    bench.answers.left(3)
    bench.rest(14)
    assert bench.kept_names == ["market-organ"]


def test_with_remember_shaping_what_knobs_have_made_of_the_sound_is_kept_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bench = with_knobs(tmp_path, remember="shaping")
    path = bench.kept()
    bench.turn(20, 127)
    bench.turn(71, 0)
    bench.daemon.play(60)
    bench.rest(12)
    assert not path.exists(), "a note is held"
    bench.daemon.hear(b"\x80\x3c\x40")
    bench.rest(14)
    first, second, third, *_ = read_sound(path).levels
    assert 20 * log10(first / second) == pytest.approx(18.0 - 6.0, abs=0.05)
    assert 20 * log10(first / third) == pytest.approx(18.0, abs=0.05)
    assert caplog.text.count("kept: the sound 'flat64'") == 1
    bench.read_kept()
    assert bench.shape.partial == {2: 0.0}, "what the sound has is not added once more"
    path.unlink()
    for value in (126, 127, 126, 127):
        bench.turn(20, value)
        bench.rest(14)
    assert not path.exists(), "a knob that trembles shapes nothing"
    bench.turn(20, 0)
    bench.rest(14)
    assert path.exists()


def test_a_knob_that_trembles_does_not_put_the_keeping_off(tmp_path: Path) -> None:
    bench = with_knobs(tmp_path, remember="shaping")
    bench.turn(20, 100)
    for step in range(14):
        bench.turn(20, 100 + step % 2)
        bench.rest(1)
    assert bench.kept().exists()


def test_turning_on_puts_the_keeping_off(tmp_path: Path) -> None:
    bench = with_knobs(tmp_path, remember="shaping")
    for value in (100, 60):
        bench.turn(20, value)
        bench.rest(7)
    assert not bench.kept().exists()
    bench.rest(7)
    assert bench.kept().exists()


def test_what_is_kept_by_a_key_or_under_a_name_is_not_kept_once_more(tmp_path: Path) -> None:
    bench = with_knobs(tmp_path, remember="shaping")
    bench.turn(20, 127)
    bench.ask("keep", name="mine")
    bench.rest(14)
    assert bench.kept_names == ["mine"]


def test_where_a_controller_says_its_knobs_are_is_nothing_shaped(tmp_path: Path) -> None:
    bench = with_knobs(tmp_path, remember="shaping")
    bench.daemon.replug_keys()
    bench.turn(20, 127)
    bench.rest(14)
    assert not (tmp_path / "sounds").exists()


def test_no_knobs_are_kept_while_channels_play_different_sounds(tmp_path: Path) -> None:
    bench = Bench(tmp_path, remember="shaping", bindings=KNOBS)
    bench.daemon.hear(b"\xc0\x04", b"\xc1\x05")
    bench.turn(20, 127)
    bench.rest(14)
    assert not (tmp_path / "sounds").exists()


def test_with_remember_shaping_what_knobs_have_shaped_is_kept_when_it_is_left(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bench = with_knobs(tmp_path, remember="shaping")
    bench.rest(1)
    bench.turn(20, 0)
    bench.daemon.hear(b"\xc0\x08")
    bench.rest(4)
    assert bench.kept_names == ["flat64"]
    assert bench.kept_second_db == pytest.approx(-60.0, abs=0.05)
    bench.read_kept()
    assert bench.shape.partial == {2: 0.0}, "the other sound is as it is kept, too"
    bench.rest(14)
    assert caplog.text.count("kept: the sound") == 1
    assert "not kept" not in caplog.text


@pytest.mark.parametrize("remember", ["choices", "nothing"])
def test_what_knobs_have_shaped_is_not_left_for_another_sound_without_a_word(
    tmp_path: Path, remember: str, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bench = Bench(tmp_path, remember=remember, bindings=KNOBS)
    bench.rest(1)
    bench.turn(20, 127)
    bench.rest(1)
    bench.daemon.hear(b"\xc0\x08")
    bench.rest(14)
    told = "'market-organ' as knobs shaped it is not kept, and they shape 'sine' now; to keep it"
    assert caplog.text.count(told) == (remember != "nothing")
    assert not (tmp_path / "sounds").exists(), "no knob was turned for the other sound"
    bench.daemon.hear(b"\xc0\x00")
    bench.rest(1)
    assert "'sine' as knobs" not in caplog.text


def test_knobs_at_rest_leave_nothing_behind(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bench = Bench(tmp_path, bindings=KNOBS)
    bench.turn(74, 127)
    bench.turn(74, 64)
    bench.rest(1)
    bench.daemon.hear(b"\xc0\x08")
    bench.rest(2)
    assert "not kept" not in caplog.text


@pytest.mark.parametrize("remember", ["choices", "shaping"])
def test_no_draft_is_left_for_another_sound_without_a_word(
    tmp_path: Path, remember: str, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bench = Bench(tmp_path, remember=remember)
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.rest(1)
    bench.daemon.hear(b"\xc0\x08")
    bench.rest(14)
    told = "'market-organ' is left as shaped, not kept, until partiald stops" in caplog.text
    kept = bench.kept("market-organ").exists()
    assert (told, kept) == (remember == "choices", remember == "shaping")


@pytest.mark.parametrize("remember", ["choices", "nothing"])
@pytest.mark.parametrize("by", ["the page", "knobs"])
def test_otherwise_what_has_been_shaped_is_kept_only_when_asked(
    tmp_path: Path, remember: str, by: str
) -> None:
    bench = Bench(tmp_path, remember=remember, bindings=KNOBS)
    if by == "knobs":
        bench.turn(20, 127)
    else:
        bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.rest(14)
    assert not (tmp_path / "sounds").exists()


def test_a_draft_left_again_and_again_is_told_once_and_then_counted(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bench = Bench(tmp_path)
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    for program in (8, 0, 8, 0, 8):
        bench.daemon.hear(bytes((0xC0, program)))
        bench.rest(2)
    bench.rest(70)
    told = [each for each in caplog.messages if "'market-organ' is left as shaped" in each]
    assert len(told) == 2
    assert re.search(r"\(\d times? in the last 60 s\)", told[1])


def test_with_remember_nothing_no_choice_is_kept(tmp_path: Path) -> None:
    bench = Bench(tmp_path, remember="nothing")
    bench.daemon.hear(b"\xc0\x04")
    bench.rest(6)
    assert not (tmp_path / "learned.toml").exists()


@pytest.mark.parametrize("remember", ["choices", "shaping"])
def test_no_draft_goes_with_the_daemon_without_a_word(
    tmp_path: Path, remember: str, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(tmp_path, remember=remember)
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.daemon.shaping.close()
    kept = bench.kept("market-organ").exists()
    told = "'market-organ' as shaped was not kept, and is gone" in caplog.text
    assert (kept, told) == (remember == "shaping", remember == "choices")


def test_a_draft_is_there_again_after_another_sound_has_been_played(bench: Bench) -> None:
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.daemon.hear(b"\xc0\x08")
    bench.daemon.run(0.3)
    assert bench.ask("sound")["name"] == "sine"
    bench.daemon.hear(b"\xc0\x00")
    bench.daemon.run(0.3)
    assert bench.ask("sound")["table"] == louder("market-organ")


# --- what is kept of a control --------------------------------------------------------------


@pytest.mark.parametrize("number", [1, 4, 11, 21])
def test_what_a_wheel_a_pedal_or_a_knob_does_again_and_again_is_kept_once(
    tmp_path: Path, number: int
) -> None:
    bindings = [{"control": number, "target": "tilt"}]
    bench = with_knobs(tmp_path, remember="shaping", bindings=bindings)
    found = []
    for _ in range(3):
        bench.turn(number, 127, 60, 100, 0)
        bench.rest(14)
        bench.read_kept()
        found.append(bench.kept_second_db)
    assert found == pytest.approx([-9.0] * 3, abs=0.01)
    bench.turn(number, 127)
    bench.rest(14)
    bench.read_kept()
    assert bench.kept_second_db == pytest.approx(-6.0, abs=0.01)
    bench.turn(number, 0, 127)
    bench.rest(14)
    assert bench.kept_second_db == pytest.approx(-6.0, abs=0.01), "it is where it stood"


@pytest.mark.parametrize(
    ("control", "pressed", "let_go"),
    [
        ("channel_pressure", (0xD0, 100), (0xD0, 0)),
        ("key_pressure", (0xA0, 60, 100), (0xA0, 60, 0)),
        ("pitch_bend", (0xE0, 0, 100), (0xE0, 0, 90)),
        (64, (0xB0, 64, 127), (0xB0, 64, 0)),
        (67, (0xB0, 67, 127), (0xB0, 67, 0)),
    ],
)
def test_what_springs_back_is_played_and_not_kept(
    tmp_path: Path, control: int | str, pressed: tuple[int, ...], let_go: tuple[int, ...]
) -> None:
    bindings = [*KNOBS[:1], {"control": control, "target": "tilt"}]
    bench = with_knobs(tmp_path, remember="shaping", bindings=bindings)
    for message in (pressed, let_go):
        bench.daemon.hear(bytes(message))
        bench.daemon.run(0.1)
    bench.rest(14)
    assert not (tmp_path / "sounds").exists()
    before = bench.shape.tilt
    assert before != 0.0
    bench.turn(20, 127)
    bench.rest(14)
    assert bench.kept_second_db == pytest.approx(6.0, abs=0.01), "the knob's part of it alone"
    bench.read_kept()
    assert bench.shape.tilt == before


@pytest.mark.parametrize("number", range(70, 76))
def test_a_sound_controller_that_is_not_bound_is_kept_and_goes_on_from_there_without_a_jump(
    tmp_path: Path, number: int
) -> None:
    bench = with_knobs(tmp_path, remember="shaping", bindings=[])
    path = bench.kept()
    bench.turn(number, 127)
    bench.rest(14)
    kept = read_sound(path)
    assert kept != shipped()["flat64"]
    bench.read_kept()
    bench.turn(number, 100, 127)
    bench.rest(14)
    assert read_sound(path) == kept, "it is where it stood"
    bench.turn(number, 126)
    bench.rest(14)
    now = read_sound(path)
    change = (now.envelope.attack_s, now.envelope.decay_s, now.envelope.release_s, *now.levels)
    stood = (kept.envelope.attack_s, kept.envelope.decay_s, kept.envelope.release_s, *kept.levels)
    assert change == pytest.approx(stood, rel=0.06)


# --- a card that does not take it -----------------------------------------------------------


def heard(bench: Bench, name: str) -> Sound:
    assert bench.daemon.playing is not None
    sounds = bench.daemon.playing.instrument._pool.sounds  # type: ignore[attr-defined]
    return sounds[name]  # type: ignore[no-any-return]


def test_what_the_card_does_not_take_stays_in_force_and_is_tried_again_seldom(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    in_the_way = tmp_path / "sounds"
    in_the_way.write_text("")
    bench = with_knobs(tmp_path, remember="shaping")
    bench.turn(20, 0)
    bench.rest(16)
    told = "the sound 'flat64' can't be kept yet: File exists; make room on the card"
    assert caplog.text.count(told) == 1
    assert "kept: the sound" not in caplog.text
    assert bench.shape.partial == {2: 0.0}, "the knob is at rest ..."
    assert second_db(heard(bench, "flat64")) == pytest.approx(-60.0, abs=0.05), (
        "... and it is heard"
    )
    assert bench.ask("sound")["table"] == heard(bench, "flat64").model_dump(exclude_unset=True)
    assert "as shaped and not kept" in bench.ask("forget_all", dry_run=True)["forgotten"][0]
    in_the_way.unlink()
    bench.rest(200)
    assert not in_the_way.exists(), "a card that fails is spared"
    bench.rest(110)
    assert read_sound(in_the_way / "flat64.toml").levels == heard(bench, "flat64").levels
    assert caplog.text.count("can't be kept yet") == 1
    assert caplog.text.count("kept: the sound 'flat64'") == 1


def test_what_the_card_did_not_take_is_tried_again_with_what_is_kept_next(tmp_path: Path) -> None:
    in_the_way = tmp_path / "sounds"
    in_the_way.write_text("")
    bench = Bench(tmp_path)
    bench.ask("shape", name="sine", table=louder("sine"))
    bench.ask("keep", name="sine", text=text_of(louder("sine")))
    bench.ask("shape", name="sine", table=None)
    bench.answers.tick()
    bench.rest(2)
    assert heard(bench, "sine").level_db == louder("sine")["level_db"], "it was asked for"
    in_the_way.unlink()
    bench.ask("keep", name="mine")
    assert bench.kept_names == ["mine", "sine"]


def test_what_the_card_does_not_take_is_tried_once_more_before_the_daemon_goes(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    in_the_way = tmp_path / "sounds"
    in_the_way.write_text("")
    bench = Bench(tmp_path)
    bench.ask("keep", name="mine")
    in_the_way.unlink()
    bench.daemon.shaping.close()
    assert (in_the_way / "mine.toml").exists()
    assert "is gone" not in caplog.text


def test_what_the_card_never_took_is_told_when_it_goes_with_the_daemon(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "sounds").write_text("")
    bench = Bench(tmp_path)
    bench.ask("keep", name="mine")
    bench.daemon.shaping.close()
    assert caplog.text.count("'mine' as shaped was not kept, and is gone") == 1


def test_a_sound_in_a_file_of_the_owners_is_not_kept_over_it_but_heard(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "sounds").mkdir()
    own = tmp_path / "sounds" / "flat64.toml"
    own.write_text("# by hand\n")
    bench = with_knobs(tmp_path, gestures=GESTURES)
    bench.turn(20, 0)
    bench.command(38)
    bench.rest(2)
    assert bench.daemon.cues[-1] == "refused"
    assert caplog.text.count("was not kept by partiald; take another name") == 1
    assert own.read_text() == "# by hand\n"
    assert second_db(heard(bench, "flat64")) == pytest.approx(-60.0, abs=0.05)


# --- at the end -----------------------------------------------------------------------------


@pytest.mark.parametrize("remember", ["choices", "shaping"])
def test_what_knobs_have_just_made_is_kept_before_the_player_goes(
    tmp_path: Path, remember: str
) -> None:
    bench = with_knobs(tmp_path, remember=remember)
    bench.turn(20, 0)
    assert bench.daemon.shaping.last_words() == (remember == "shaping")
    bench.daemon.run(0.3)
    assert not bench.daemon.shaping.last_words()
    bench.daemon.shaping.close()
    assert bench.kept().exists() == (remember == "shaping")


def test_what_knobs_have_just_made_is_kept_when_keys_switch_the_board_off(tmp_path: Path) -> None:
    power = {"off_keys": [36, 38]}
    bench = Bench(tmp_path, remember="shaping", bindings=KNOBS, power=power)
    bench.daemon.hear(b"\xc0\x09")
    bench.turn(20, 0)
    bench.daemon.play(36, 38)
    bench.daemon.run(7.5)
    assert "farewell" in bench.daemon.cues, "the controllers are reset by now"
    assert bench.kept_second_db == pytest.approx(-60.0, abs=0.05)


# --- by keys --------------------------------------------------------------------------------


def test_a_key_keeps_what_knobs_have_made_of_the_sound_and_they_are_at_rest_then(
    tmp_path: Path,
) -> None:
    bench = with_knobs(tmp_path, gestures=GESTURES)
    bench.turn(20, 127)
    bench.turn(74, 0)
    bench.turn(71, 0)
    bench.command(38)
    kept = read_sound(bench.kept())
    first, second, _, fourth, *_ = kept.levels
    assert 20 * log10(second / fourth) == pytest.approx(6.0 + 9.0, abs=0.05)
    assert 20 * log10(first / second) == pytest.approx(-6.0 + 9.0 + 18.0, abs=0.05)
    assert (bench.shape.tilt, bench.shape.partial) == (-9.0, {2: 6.0}), "until it is read"
    bench.read_kept()
    assert (bench.shape.tilt, bench.shape.partial) == (0.0, {2: 0.0})
    bench.turn(74, 64)
    assert 0.0 < bench.shape.tilt < 3.0, "from where it is, without a jump"
    bench.daemon.end("gone")
    bench.daemon.run(3.0)
    assert bench.shape.partial.get(2, 0.0) == 0.0, "another player does not add it once more"


def test_a_knob_that_turns_on_while_its_sound_is_written_goes_on_from_where_that_was_told(
    tmp_path: Path,
) -> None:
    bench = with_knobs(tmp_path, gestures=GESTURES)
    bench.turn(74, 127)
    bench.turn(71, 127)
    bench.command(38)
    bench.turn(74, 0)
    bench.turn(71, 96)
    bench.turn(20, 0)
    bench.read_kept()
    assert bench.shape.tilt == -9.0
    assert bench.shape.partial == {2: -60.0}, "it had not been turned before"
    overtones = bench.daemon.playing.instrument.channel(0).stand(71)  # type: ignore[union-attr]
    assert -6.0 < overtones < -3.0
    bench.turn(74, 127)
    bench.turn(71, 127)
    assert bench.shape.tilt == 0.0
    assert bench.daemon.playing.instrument.channel(0).stand(71) == 0.0  # type: ignore[union-attr]


def test_another_player_finds_what_a_knob_has_made_of_a_kept_sound_since(tmp_path: Path) -> None:
    bench = with_knobs(tmp_path, gestures=GESTURES)
    bench.turn(74, 127)
    bench.command(38)
    bench.read_kept()
    bench.turn(74, 80, 60)
    tilt = bench.shape.tilt
    assert -6.0 < tilt < -3.0, "from where it is"
    bench.daemon.end("gone")
    bench.daemon.run(3.0)
    assert bench.shape.tilt == tilt


def test_what_knobs_make_of_a_kept_sound_is_kept_as_it_is_heard(tmp_path: Path) -> None:
    """A knob that is elsewhere than its target means another value than its place says."""
    bench = with_knobs(tmp_path, gestures=GESTURES)
    bench.turn(74, 127)
    bench.command(38)
    bench.read_kept()
    before = read_sound(bench.kept()).levels
    bench.turn(74, 110)
    tilt = bench.shape.tilt
    assert -3.0 < tilt < 0.0
    bench.command(38)
    after = read_sound(bench.kept()).levels
    assert 20 * log10(after[1] / before[1]) == pytest.approx(tilt, abs=0.02)


def test_where_there_are_zones_the_sounds_of_all_of_them_are_kept(tmp_path: Path) -> None:
    zones = [{"keys": [0, 60], "sound": "sine"}, {"sound": "flat64"}]
    bench = Bench(tmp_path, gestures=GESTURES, bindings=KNOBS, zones=zones)
    bench.turn(74, 0)
    bench.command(38)
    assert bench.kept_names == ["flat64", "sine"], "the one that no key plays is left as it is"
    assert bench.ask("keep", name="mine")["of"] == "sine"


def test_nothing_shaped_is_nothing_to_keep(bench: Bench) -> None:
    bench.daemon.files.edit(gestures=GESTURES)
    bench.daemon.run(1.0)
    bench.command(38)
    assert not (bench.folder / "sounds").exists()


@pytest.mark.parametrize("remember", ["choices", "nothing"])
def test_a_draft_is_kept_by_a_key_but_not_where_nothing_is_to_be_remembered(
    tmp_path: Path, remember: str, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(tmp_path, gestures=GESTURES, remember=remember)
    bench.ask("shape", name="market-organ", table=louder("market-organ"))
    bench.command(38)
    path = bench.kept("market-organ")
    assert path.exists() == (remember == "choices")
    assert bench.daemon.cues[-1] == ("gesture" if remember == "choices" else "refused")
    assert ("is not kept" in caplog.text) == (remember == "nothing")


def test_a_key_that_forgets_is_struck_three_times_and_has_a_tone_of_its_own(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bench.daemon.files.edit(gestures=GESTURES)
    bench.daemon.run(1.0)
    bench.ask("keep", name="mine")
    path = bench.kept("mine")
    assert path.exists()
    bench.command(40, 40)
    bench.command(40, 41, 40, 40)
    assert path.exists()
    assert bench.daemon.cues[-1] == "gesture"
    assert "gesture: forget: 1 more to go" in caplog.text
    bench.command(40, 40, 40)
    assert not path.exists()
    assert bench.daemon.cues[-1] == "forgotten"
    assert "forgotten: 1 thing" in caplog.text


def test_what_knobs_have_made_of_the_sound_is_forgotten_too(tmp_path: Path) -> None:
    bench = with_knobs(tmp_path, gestures=GESTURES)
    bench.turn(20, 0)
    bench.turn(74, 0)
    bench.command(40, 40, 40)
    bench.read_kept()
    assert (bench.shape.tilt, bench.shape.partial) == (0.0, {2: 0.0})
    bench.turn(74, 127)
    assert bench.shape.tilt == 3.0, "and they go on from there"
