"""The page of sliders on a terminal of 80 columns and 24 rows, by the library's own pilot."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from textual.pilot import Pilot

from config.library import shipped
from config.sound import Sound
from daemon.errors import RunError
from daemon.shaping.bars import level_of, lines, place_of, row_of, seen
from daemon.shaping.page import Page
from daemon.shaping.page_screen import PageScreen
from daemon.shaping.plain_page import PlainPage
from daemon.shaping.sliders import ROOM, opened


class Stage:
    """A page, what is heard of it, and what was kept."""

    def __init__(self, name: str = "market-organ") -> None:
        self.played: list[tuple[str, Any, float | None]] = []
        self.kept: list[str] = []
        self.struck = 0
        self.page = Page(name, shipped()[name], self, -30.0)
        self.screen = PageScreen(self.page, self.keep, self.strike)

    def shape(self, name: str, table: Any, room_db: float | None) -> None:
        self.played.append((name, table, room_db))

    def keep(self, name: str, page: Page) -> str:
        if name == "refused":
            raise RunError("'refused': another name")
        self.kept.append(name)
        return f"/sounds/{name}.toml"

    def strike(self) -> str:
        self.struck += 1
        return "struck"

    def run(self, steps: Callable[[Pilot[None]], Awaitable[None]]) -> None:
        async def whole() -> None:
            async with self.screen.run_test(size=(80, 24)) as pilot:
                await pilot.pause()
                await steps(pilot)

        asyncio.run(whole())

    def text(self) -> str:
        """The whole screen, line by line."""
        rows = []
        for row in self.screen.screen._compositor.render_strips():
            rows.append("".join(segment.text for segment in row))
        return "\n".join(rows)


def test_the_page_fits_and_shows_name_bars_sliders_and_keys() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        text = stage.text()
        assert len(text.splitlines()) == 24
        assert all(len(line) <= 80 for line in text.splitlines())
        for words in ("market-organ, as it is kept", "attack", "room", "k keep", "-20"):
            assert words in text
        assert "█" in text
        assert "^" in text

    stage.run(steps)


def test_arrow_keys_move_what_is_selected_and_it_is_heard() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        first = stage.page.value(stage.page.selected)
        await pilot.press("down", "down", "pagedown")
        assert stage.page.value(stage.page.selected) == first - 8
        assert len(stage.played) == 3
        await pilot.press("right", "up")
        assert stage.page.at == 1
        await pilot.press("tab")
        assert stage.page.selected.name == "attack"
        await pilot.press("up")
        assert "shaped" in stage.text()

    stage.run(steps)


def test_compare_and_undo_are_a_key_each() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        await pilot.press("down", "a")
        assert stage.played[-1][1] is None
        assert "as it was" in stage.text()
        await pilot.press("a")
        assert stage.played[-1][1] is not None
        await pilot.press("u")
        assert not stage.page.changed

    stage.run(steps)


def test_a_bar_is_drawn_with_the_mouse() -> None:
    stage = Stage("flat64")

    async def steps(pilot: Pilot[None]) -> None:
        await pilot.click("#bars", offset=(5 + 2 * 3, 8))
        height = stage.screen.query_one("#bars").size.height - 2
        assert stage.page.at == 3
        assert stage.page.value(stage.page.selected) == level_of(8, height)

    stage.run(steps)


def test_the_other_sliders_take_the_mouse_too() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        await pilot.click("#others", offset=(13, 0))
        assert stage.page.selected.name == "attack"
        assert stage.page.value(stage.page.selected) == pytest.approx(0.001)

    stage.run(steps)


def test_k_keeps_under_a_name_and_says_where() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        await pilot.press("down", "k", "enter")
        assert stage.kept == ["market-organ-mine"]
        assert "kept: /sounds/market-organ-mine.toml" in stage.text()
        assert not stage.page.changed
        await pilot.press("k", *["backspace"] * 17, *"refused", "enter")
        assert "another name" in stage.text()

    stage.run(steps)


def test_leaving_what_was_not_kept_is_asked_about_once() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        await pilot.press("down", "q")
        assert stage.screen.is_running
        assert "not kept" in stage.text()
        await pilot.press("q")

    stage.run(steps)
    assert stage.screen.return_code == 0


def test_space_strikes_a_key() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        await pilot.press("space", "space")

    stage.run(steps)
    assert stage.struck == 2


@pytest.mark.parametrize("total", [1, 2, 9, 36, 64, 128])
@pytest.mark.parametrize("selected", [0, 5, 127])
def test_bars_fill_the_width_and_the_selected_one_is_always_seen(total: int, selected: int) -> None:
    selected = min(selected, total - 1)
    sliders = [ROOM] * total
    drawn = lines(sliders, [-6.0] * total, selected, 80, 12)
    assert [len(line) for line in drawn] == [80] * 14
    assert drawn[-1].count("^") >= 1
    bars = seen(total, selected, 80)
    column = 5 + (selected - bars.first) * bars.wide
    assert place_of(column, total, selected, 80) == selected
    assert place_of(2, total, selected, 80) is None


def test_rows_and_levels_answer_each_other() -> None:
    for row in range(13):
        assert row_of(level_of(row, 12), 12) == row


def told(stage: Stage, *asked: str) -> list[str]:
    return list(PlainPage(stage.page, stage.keep, stage.strike).answers(asked))[1:]


def test_line_by_line_it_says_what_moves() -> None:
    stage = Stage("flat64")
    assert told(stage, "partial 3 -12") == ["partial 3 -12.0 dB"]
    assert told(stage, "partial 3") == ["partial 3: -12.0 dB"]
    assert told(stage, "attack up", "compare", "compare", "undo", "undo", "undo")[1:] == [
        *("heard as it was", "heard as shaped", "undone", "undone"),
        "nothing to undo",
    ]
    assert len(told(stage, "list")) == len(stage.page.sliders)
    assert told(stage, "help")[0].startswith("list")
    assert told(stage, "attack 50 ms") == ["attack 50 ms"]
    assert told(stage, "attack 0.2 s", "attack 0.2") == ["attack 0.20 s"] * 2
    assert told(stage, "partial 3 -9 dB") == ["partial 3 -9.0 dB"]
    assert told(stage, "room 90") == ["room +6.0 dB, and no further"]


def test_line_by_line_what_is_wrong_is_one_line() -> None:
    stage = Stage("flat64")
    assert told(stage, "bellows 3") == ["no slider 'bellows 3'; 'list' shows them"]
    assert told(stage, "attack soon") == ["'soon' is no number; such as 'partial 3 -12'"]
    assert told(stage, "keep refused") == ["'refused': another name"]
    assert told(stage, "keep")[0].startswith("keep it under which name?")
    assert told(stage, "attack 3 dB") == ["attack is not in db; 'list' shows its unit"]
    assert told(stage, "partial 1 3 ms") == ["partial 1 is not in ms; 'list' shows its unit"]
    assert told(stage, "", "partial 1 down", "quit", "quit", "list")[1:] == [
        "not kept: 'keep NAME' keeps it, 'quit' again leaves without"
    ]


ROOM_SAID = "level_db = -20.0 under [room] in the settings keeps it"


def test_that_no_sound_keeps_the_room_is_told_once_by_keeping_or_by_leaving() -> None:
    stage = Stage("flat64")
    assert told(stage, "room -20", "quit", "quit", "list")[1:] == [
        f"the room goes back: {ROOM_SAID}; 'quit' again leaves"
    ]
    stage = Stage("flat64")
    assert told(stage, "room -20", "keep mine", "keep mine", "quit", "list")[1:] == [
        f"kept: /sounds/mine.toml; not the room: {ROOM_SAID}",
        "kept: /sounds/mine.toml",
    ]
    assert told(Stage("flat64"), "room -20", "room -30", "quit", "list")[2:] == []


def test_what_another_page_has_left_shaped_is_taken_up() -> None:
    page = Stage("flat64").page
    page.take_up(shipped()["flat64"])
    assert (page.changed, page.said) == (False, "")
    page.take_up(shipped()["market-organ"])
    assert (page.changed, page.said) == (False, ""), "its sliders are others"
    stage = Stage("flat64")
    left = opened(shipped()["flat64"])
    left["partials"]["level_db"][2] = -20.0
    stage.page.take_up(Sound.model_validate(left))
    assert told(stage, "partial 3", "compare", "partial 3", "undo", "partial 3") == [
        "taken up as it was left, shaped and not kept; undo goes back behind that",
        *("partial 3: -20.0 dB", "heard as it was", "partial 3: +0.0 dB", "undone"),
        "partial 3: +0.0 dB",
    ]


def test_a_long_line_of_news_is_shown_whole() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        stage.page.at = len(stage.page.sliders) - 1
        stage.page.put(-20.0)
        await pilot.press("k", "enter")
        await pilot.pause()
        assert ROOM_SAID in " ".join(stage.text().split())
        assert "q quit" in stage.text()

    stage.run(steps)


def test_the_name_that_is_offered_is_one_that_is_accepted() -> None:
    for name in ("x" * 40, "organ-mine"):
        stage = Stage()
        stage.page.name = name

        async def steps(pilot: Pilot[None]) -> None:
            await pilot.press("k", "enter")

        stage.run(steps)
        assert len(stage.kept[0]) <= 40
        assert stage.kept[0].count("-mine") == 1


@pytest.mark.parametrize(
    ("name", "words"),
    [("market-organ", "open wood   wide flute"), ("flat64", "1 2   4   6   8   10")],
)
def test_bars_are_named_below_as_far_as_there_is_room(name: str, words: str) -> None:
    stage = Stage(name)

    async def steps(_: Pilot[None]) -> None:
        assert words in stage.text()

    stage.run(steps)


def test_what_the_field_for_the_name_wants_is_said() -> None:
    stage = Stage()

    async def steps(pilot: Pilot[None]) -> None:
        await pilot.press("k")
        await pilot.pause()
        assert "name it: small letters" in stage.text()
        await pilot.press("escape")
        await pilot.pause()
        assert "name it" not in stage.text()
        assert stage.kept == []

    stage.run(steps)
