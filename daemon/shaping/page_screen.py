"""The page of sliders on a terminal: bars above, the other sliders below, keys at the bottom.

Units: columns and rows. Threads: the library's loop alone.

It fits 80 columns and 24 rows, needs no colour, and takes arrow keys as well as a mouse.
"""

import os
from collections.abc import Callable
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding
from textual.events import MouseDown, MouseMove, MouseScrollDown, MouseScrollUp
from textual.widget import Widget
from textual.widgets import Input, Static

from daemon.errors import RunError
from daemon.shaping.bars import level_of, lines, place_of
from daemon.shaping.page import Keep, Page
from daemon.shaping.sliders import Slider

KEYS = "←→ ↑↓ PgUp PgDn move  Tab group  space note  a compare  u undo  k keep  q quit"
_TRACK = 14
_COLUMNS = 2


class BarsView(Widget):
    """The bars."""

    DEFAULT_CSS = "BarsView { height: 1fr; }"

    def __init__(self, page: Page, changed: Callable[[], None]) -> None:
        super().__init__(id="bars")
        self._page, self._changed = page, changed

    def render(self) -> str:
        """Return what it shows."""
        page, bars = self._page, self._page.bars
        selected = page.at if page.selected.group == "levels" else -1
        levels = [page.value(each) for each in bars]
        return "\n".join(lines(bars, levels, selected, self.size.width, self.size.height - 2))

    def _take(self, x: int, y: int) -> None:
        selected = self._page.at if self._page.selected.group == "levels" else -1
        place = place_of(x, len(self._page.bars), selected, self.size.width)
        if place is not None and 0 <= y < self.size.height - 2:
            self._page.at = place
            self._page.put(level_of(y, self.size.height - 2))
            self._changed()

    def on_mouse_down(self, event: MouseDown) -> None:
        """Move a bar to where the mouse is."""
        self._take(event.x, event.y)

    def on_mouse_move(self, event: MouseMove) -> None:
        """Draw bars while the button is held."""
        if event.button:
            self._take(event.x, event.y)

    def on_mouse_scroll_up(self, _: MouseScrollUp) -> None:
        """Move the selected slider up."""
        self._page.move(1)
        self._changed()

    def on_mouse_scroll_down(self, _: MouseScrollDown) -> None:
        """Move it down."""
        self._page.move(-1)
        self._changed()


class Others(Static):
    """All sliders that are no bars, two beside each other."""

    def __init__(self, page: Page, changed: Callable[[], None]) -> None:
        super().__init__(id="others", markup=False)
        self._page, self._changed = page, changed

    def draw(self) -> None:
        """Show where they are."""
        first = len(self._page.bars)
        cells = [
            _cell(each, self._page.value(each), selected=first + n == self._page.at)
            for n, each in enumerate(self._page.sliders[first:])
        ]
        rows = [cells[n : n + _COLUMNS] for n in range(0, len(cells), _COLUMNS)]
        self.update("\n".join("  ".join(row) for row in rows))

    def on_mouse_down(self, event: MouseDown) -> None:
        """Select a slider, and move it to where the mouse is on its track."""
        column, x = divmod(event.x, _CELL + 2)
        place = event.y * _COLUMNS + column
        others = self._page.sliders[len(self._page.bars) :]
        if column < _COLUMNS and 0 <= place < len(others):
            self._page.at = len(self._page.bars) + place
            if _NAME <= x < _NAME + _TRACK:
                self._page.put(_at_share(others[place], (x - _NAME) / (_TRACK - 1)))
            self._changed()


_NAME = 13
_CELL = _NAME + _TRACK + 1 + 9


class PageScreen(App[None]):
    """The page.

    Parameters
    ----------
    page
        What is shaped.
    keep
        Keeps it under a name.
    strike
        Strikes a key, or releases it; says what it has done.
    stay
        Is called every second.
    """

    CSS = """
    #title { height: 1; text-style: bold; }
    #others { height: auto; margin-top: 1; }
    #said { height: auto; min-height: 1; max-height: 3; }
    #keys { height: 1; }
    #name { height: 3; display: none; }
    """
    BINDINGS: ClassVar = [
        Binding("left", "select(-1)", show=False),
        Binding("right", "select(1)", show=False),
        Binding("up", "move(1)", show=False),
        Binding("down", "move(-1)", show=False),
        Binding("pageup", "move(6)", show=False),
        Binding("pagedown", "move(-6)", show=False),
        Binding("tab", "group", show=False, priority=True),
        Binding("a", "compare", show=False),
        Binding("u", "undo", show=False),
        Binding("k", "keep", show=False),
        Binding("space", "strike", show=False),
        Binding("q", "leave", show=False),
        Binding("escape", "close_name", show=False),
        Binding("ctrl+c", "quit", show=False, priority=True),
    ]
    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = ""

    def __init__(
        self,
        page: Page,
        keep: Keep,
        strike: Callable[[], str] = lambda: "",
        stay: Callable[[], None] = lambda: None,
    ) -> None:
        super().__init__()
        self._page, self._keep, self._strike, self._stay = page, keep, strike, stay
        self._leaving = False

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static(id="title", markup=False)
        yield BarsView(self._page, self.draw)
        yield Others(self._page, self.draw)
        yield Static(id="said", markup=False)
        hint = "a name for it: small letters, digits and -"
        yield Input(id="name", placeholder=hint, disabled=True)
        yield Static(KEYS, id="keys", markup=False)

    def on_mount(self) -> None:
        """Begin."""
        self._has_terminal = os.isatty(0)
        self.set_interval(1.0, self._still_here)
        self.set_focus(None)
        self.draw()

    def on_resize(self) -> None:
        """Lay the bars out again."""
        self.draw()

    def draw(self) -> None:
        """Show everything as it is now."""
        page, slider = self._page, self._page.selected
        heard = "as it was" if page.as_it_was else "shaped" if page.changed else "as it is kept"
        value = f"{slider.name}: {slider.words(page.value(slider))}"
        self.query_one("#title", Static).update(f"{page.name}, {heard}    {value}")
        self.query_one("#said", Static).update(page.said)
        self.query_one(BarsView).refresh()
        self.query_one(Others).draw()

    def action_select(self, by: int) -> None:
        """Select another slider."""
        self._page.select(by)
        self.draw()

    def action_move(self, steps: int) -> None:
        """Move the selected slider."""
        self._do(lambda: self._page.move(steps))

    def action_group(self) -> None:
        """Go to the next group of sliders."""
        self._page.next_group()
        self.draw()

    def action_compare(self) -> None:
        """Hear it as it was, or as it is shaped."""
        self._do(self._page.compare)

    def action_undo(self) -> None:
        """Take the last move back."""
        self._do(self._page.undo)

    def action_strike(self) -> None:
        """Strike a key, or let it go."""

        def strike() -> None:
            self._page.said = self._strike()

        self._do(strike)

    def action_keep(self) -> None:
        """Ask for a name."""
        field = self.query_one("#name", Input)
        field.display, field.disabled = True, False
        name = self._page.name
        field.value = name if name.endswith("-mine") else f"{name[:35]}-mine"
        field.focus()
        self._page.said = "name it: small letters, digits and -; Enter keeps it, Esc goes back"
        self.draw()

    def action_close_name(self) -> None:
        """Leave the field for the name."""
        field = self.query_one("#name", Input)
        field.display, field.disabled = False, True
        self.set_focus(None)
        self._page.said = ""
        self.draw()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Keep the sound under the name."""
        self.action_close_name()
        self._do(lambda: self._page.kept(str(self._keep(event.value.strip(), self._page))))

    def action_leave(self) -> None:
        """Leave; what has been moved and not kept is asked about once."""
        if not self._leaving and (told := self._page.farewell("k", "q")):
            self._leaving = True
            self._page.said = told
            self.draw()
            return
        self.exit()

    def _do(self, what: Callable[[], object]) -> None:
        self._leaving = False
        try:
            what()
        except RunError as fault:
            self._page.said = str(fault).splitlines()[0]
        self.draw()

    def _still_here(self) -> None:
        if self._has_terminal and not os.isatty(0):  # it was closed, and would be read for ever
            self.exit()
            return
        try:
            self._stay()
        except RunError as fault:
            self._page.said = str(fault)
            self.draw()


def _cell(slider: Slider, value: float, *, selected: bool) -> str:
    at = round(_share(slider, value) * (_TRACK - 1))
    track = "".join("█" if n == at else "─" for n in range(_TRACK))
    mark = ">" if selected else " "
    return f"{mark}{slider.name:<{_NAME - 2}} {track} {slider.words(value):<9}"[:_CELL]


def _share(slider: Slider, value: float) -> float:
    """Return where on its track a slider is, times by ratios."""
    if slider.times:
        from math import log

        return log(value / slider.low) / log(slider.high / slider.low)
    return (value - slider.low) / (slider.high - slider.low)


def _at_share(slider: Slider, share: float) -> float:
    if slider.times:
        return float(slider.low * (slider.high / slider.low) ** share)
    return slider.low + (slider.high - slider.low) * share
