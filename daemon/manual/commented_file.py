"""The commented settings file, read for its remarks: which words belong to which key.

A remark belongs to the key or table below it, even if a line between is empty. A table may be
commented out as a whole; with remarks of its own it counts as if it were not, and without any it is
an example. In a remark, what is indented stays as it is, and so does a setting.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from importlib.resources import files

_HEADER = re.compile(r"\[+([\w.]+)\]+")
_KEY = re.compile(r"(\w+) *= *(.*)")
_AS_IT_IS = re.compile(r" {2}|\[|\w+ = ")


@dataclass
class Table:
    """A table of the file, or what stands above the first."""

    name: str
    """Dotted; empty: above the first table."""
    about: list[str] = field(default_factory=list)
    """What is said of it, each a block of lines."""
    keys: dict[str, str] = field(default_factory=dict)
    """What is said of each key, as one block; empty: nothing."""


def default_file() -> str:
    """Return the commented file with all settings at their defaults."""
    return files("config").joinpath("partiald.toml").read_text("utf-8")


def tables(text: str) -> list[Table]:
    """Return the tables of a commented file in their order; one that comes twice is one."""
    found = {"": Table("")}
    here, remark, waiting = found[""], list[str](), list[str]()
    deep = 0
    for line in [*text.splitlines(), ""]:
        if deep > 0:
            deep += _depth(line)
        elif line.startswith("#"):
            if not line.startswith("#:"):
                remark.append(line.removeprefix("#").removeprefix(" "))
        elif header := _HEADER.match(line):
            here = found.setdefault(header[1], Table(header[1]))
            here.about += [*waiting, *_block(remark)]
            remark, waiting = [], []
        elif key := _KEY.match(line):
            here.about += waiting
            here.keys.setdefault(key[1], "\n".join(remark))
            remark, waiting, deep = [], [], _depth(key[2])
        elif remark and (header := _HEADER.match(remark[0])):
            aside = found.setdefault(header[1], Table(header[1]))
            aside.about += waiting
            if any(each.startswith("# ") for each in remark):
                (inner,) = tables("\n".join(remark))[1:]
                aside.keys |= inner.keys
            else:
                aside.about += _block(remark)
            remark, waiting = [], []
        else:
            waiting += _block(remark)
            remark = []
    return list(found.values())


def parts(block: str) -> Iterator[tuple[bool, list[str]]]:
    """Yield a block of a remark in parts: whether a part stays as it is, and its lines."""
    part: list[str] = []
    fixed = False
    for line in block.splitlines():
        if part and bool(_AS_IT_IS.match(line)) != fixed:
            yield fixed, part
            part = []
        fixed = bool(_AS_IT_IS.match(line))
        part.append(line)
    if part:
        yield fixed, part


def _block(remark: list[str]) -> list[str]:
    return ["\n".join(remark)] if remark else []


def _depth(line: str) -> int:
    """Return by how much the lists that are open in the file grow on a line."""
    return line.count("[") - line.count("]")
