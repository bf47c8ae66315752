"""The page of sliders line by line, for a screen reader, a pipe or a terminal without a screen.

Each line that is read is a command, each answer a line: what is where, and what is heard now.
"""

from collections.abc import Callable, Iterable, Iterator

from daemon.errors import RunError
from daemon.shaping.page import Keep, Page, named

HELP = (
    "list: all sliders",
    "NAME VALUE: move one, such as 'partial 3 -12' or 'attack 50 ms'; NAME alone tells it",
    "NAME up, NAME down: by one step",
    "compare: as it was, or as shaped; undo; strike: a key, or let it go",
    "keep NAME; quit",
)


_UNITS = {"ms": 0.001, "s": 1.0, "db": 1.0}
"""What a value may have behind it."""


class PlainPage:
    """The page as a conversation.

    Parameters
    ----------
    page
        What is shaped.
    keep
        Keeps it under a name.
    strike
        Strikes a key, or releases it; says what it has done.
    """

    def __init__(self, page: Page, keep: Keep, strike: Callable[[], str] = lambda: "") -> None:
        self._page, self._keep, self._strike = page, keep, strike

    def answers(self, asked: Iterable[str]) -> Iterator[str]:
        """Yield a line or more for every line that is read, until one says quit."""
        page = self._page
        yield f"{page.name}: {len(page.sliders)} sliders. 'list' shows them, 'help' the commands."
        if page.taken_up:
            yield page.taken_up
        leaving = False
        for line in asked:
            words = line.split()
            if not words:
                continue
            if words[0] in ("quit", "q"):
                told = "" if leaving else page.farewell("'keep NAME'", "'quit'")
                if not told:
                    return
                leaving = True
                yield told
                continue
            leaving = False
            try:
                yield from self._answer(words)
            except RunError as fault:
                yield str(fault).splitlines()[0]

    def _answer(self, words: list[str]) -> Iterator[str]:
        page = self._page
        match words:
            case ["help"]:
                yield from HELP
            case ["list"]:
                for slider in page.sliders:
                    yield f"{slider.name}: {slider.words(page.value(slider))}"
            case ["compare" | "a"]:
                page.compare()
                yield page.said
            case ["undo" | "u"]:
                page.undo()
                yield page.said
            case ["strike"]:
                yield self._strike()
            case ["keep", name]:
                page.kept(str(self._keep(name, page)))
                yield page.said
            case ["keep", *_]:
                yield "keep it under which name? One word, such as 'keep my-organ'"
            case _:
                yield self._moved(words)

    def _moved(self, words: list[str]) -> str:
        """Move the slider that is named, if a value is; return where it is."""
        page, unit = self._page, words[-1].lower()
        if len(words) > 2 and unit in _UNITS:
            words = words[:-1]
        whole = named(page, " ".join(words))
        if whole is None and len(words) > 1:
            place = named(page, " ".join(words[:-1]))
            if place is not None:
                page.at = place
                if words[-1] in ("up", "down"):
                    page.move(1 if words[-1] == "up" else -1)
                    return page.said
                try:
                    value = float(words[-1])
                    if unit in _UNITS and (unit == "db") == page.selected.times:
                        return f"{page.selected.name} is not in {unit}; 'list' shows its unit"
                    page.put(value * _UNITS.get(unit, 1.0))
                except ValueError:
                    return f"'{words[-1]}' is no number; such as 'partial 3 -12'"
                return page.said
        if whole is None:
            return f"no slider '{' '.join(words)}'; 'list' shows them"
        page.at = whole
        return f"{page.selected.name}: {page.selected.words(page.value(page.selected))}"
