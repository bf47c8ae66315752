"""A manual page in the making, in the man macros of roff.

Source: man(7) of the Linux manual, and groff_char(7) for the names of characters.
"""

import re
import textwrap

_WIDTH = 72
_NAMED = {"\\": r"\e", "-": r"\-", "'": r"\(aq", "`": r"\(ga", "^": r"\(ha", "~": r"\(ti"}
_NAMED |= {"·": r"\(pc", "√": r"\(sr", "²": r"\(S2"}
_MARKED = re.compile(r"`([^`]+)`|(?<![\w*])\*(\w+)\*(?![\w*])")


def escaped(text: str) -> str:
    """Return a text in which no character is a command."""
    return re.sub("|".join(map(re.escape, _NAMED)), lambda found: _NAMED[found[0]], text)


def bold(text: str) -> str:
    """Return a text in bold."""
    return rf"\fB{escaped(text)}\fR"


def marked(text: str) -> str:
    """Return a text in which `this` is bold and *that* slanted."""
    parts, at = [], 0
    for found in _MARKED.finditer(text):
        code, slanted = found.groups()
        parts += [
            escaped(text[at : found.start()]),
            bold(code) if code else rf"\fI{escaped(slanted)}\fR",
        ]
        at = found.end()
    return "".join([*parts, escaped(text[at:])])


def sentence(words: str) -> str:
    """Return words as a sentence; one that begins with a name stays small."""
    small = not words[:1].isalpha() or words.startswith(("true: ", "false: "))
    begun = words if small else words[:1].upper() + words[1:]
    return begun if begun.endswith("...") else begun.rstrip(":.") + "."


class Page:
    """A page: a name in lower case, a section, and what `text` returns once all is added.

    Parameters
    ----------
    name, section
        As in ``partiald.toml(5)``.
    purpose
        What it is, in a line, without a full stop.
    date, version
        For the foot of the page.
    """

    def __init__(self, name: str, section: int, purpose: str, date: str, version: str) -> None:
        head = [f'.TH {escaped(name.upper())} {section} {date} "partiald {version}"']
        self._lines = head
        self.section("NAME")
        self._add(rf"{escaped(name)} \- {escaped(purpose)}")

    def section(self, title: str) -> None:
        """Begin a section."""
        self._lines.append(f".SH {_argument(title)}")

    def subsection(self, title: str) -> None:
        """Begin a part of a section."""
        self._lines.append(f".SS {_argument(title)}")

    def paragraph(self, *words: str) -> None:
        """Add a paragraph, its marks obeyed; sentences that belong together may come apart."""
        self._part()
        self._add(marked(" ".join(words)))

    def item(self, tag: str, *paragraphs: str) -> None:
        """Add a thing, already as roff, and what is said of it."""
        self._lines.append(".TP")
        self._add(tag)
        for number, words in enumerate(paragraphs):
            if number:
                self._lines.append(".IP")
            self._add(marked(words))

    def verbatim(self, *lines: str) -> None:
        """Add lines that stay as they are."""
        self._part()
        self._lines += [".RS 4", ".nf"]
        self._lines += [_told_apart(escaped(line)) for line in lines]
        self._lines += [".fi", ".RE"]

    def text(self) -> str:
        """Return the whole page."""
        return "\n".join(self._lines) + "\n"

    def _part(self) -> None:
        """Begin a paragraph; below a heading one has begun."""
        if not self._lines[-1].startswith((".SH", ".SS")):
            self._lines.append(".PP")

    def _add(self, text: str) -> None:
        lines = textwrap.wrap(text, _WIDTH, break_long_words=False, break_on_hyphens=False)
        self._lines += [_told_apart(line) for line in lines]


def _told_apart(line: str) -> str:
    """Return a line of text so that it neither is empty nor begins as a command does."""
    return rf"\&{line}" if line.startswith(".") or not line else line


def _argument(title: str) -> str:
    quoted = escaped(title).replace('"', r"\(dq")
    return f'"{quoted}"'
