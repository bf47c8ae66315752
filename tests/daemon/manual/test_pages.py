"""The manual pages: nothing that there is is left out, and roff takes every word as a word."""

import re
import subprocess
from pathlib import Path

import pytest

from config.layers import DEFAULT_PATHS
from daemon.manual.build import made, main
from daemon.manual.command_tree import Command, tree
from daemon.manual.commented_file import default_file, parts, tables
from daemon.manual.roff import Page, escaped, marked, sentence
from daemon.manual.schema import Node, settings_schema, sound_schema
from daemon.manual.settings_page import key_rules

DATE, VERSION = "2026-11-27", "9.8.7"
PAGES = {path: text for path, text in made(DATE, VERSION).items() if "/man/" in path}
COMMAND, SETTINGS, SOUND = (
    PAGES[f"usr/share/man/{name}"]
    for name in ("man1/partiald.1", "man5/partiald.toml.5", "man5/partiald-sound.5")
)


def read(page: str) -> str:
    """Return a page's words as a reader sees them, in one line."""
    text = re.sub(r"\\f[BIR]|^\.(?:RS 4|[A-Zn][A-Zf]|fi)\b ?", "", page, flags=re.MULTILINE)
    for roff, plain in (
        (r"\(aq", "'"), (r"\(ga", "`"), (r"\(ti", "~"), (r"\(ha", "^"), (r"\(dq", '"'),
        (r"\(pc", "·"), (r"\(sr", "√"), (r"\(S2", "²"), (r"\-", "-"), (r"\&", ""), (r"\e", "\\"),
    ):  # fmt: skip
        text = text.replace(roff, plain)
    return " ".join(text.split())


def plain(words: str) -> str:
    return " ".join(re.sub(r"`|(?<![\w*])\*(?=\w+\*)|(?<=\w)\*(?![\w*])", "", words).split())


@pytest.mark.parametrize("command", tree().all[1:], ids=lambda command: " ".join(command.words))
def test_every_command_is_in_the_manual_with_its_options_and_an_example(
    command: Command,
) -> None:
    text = read(COMMAND)
    own = text.split(" ".join(["partiald", *command.words, command.usage]).strip(), 1)[1]
    own = own.split(command.example, 1)[0]
    assert command.purpose in own
    for word in (*command.options, *command.operands):
        if "--settings" not in word.flags:
            assert " ".join([", ".join(word.flags), word.value]).strip() in own
            assert word.about[1:] in own


def test_every_table_and_key_of_the_settings_is_in_the_manual_with_its_remark() -> None:
    text = read(SETTINGS)
    schema = settings_schema()
    remarks = {table.name: table.keys for table in tables(default_file())}
    assert len(remarks) > 10
    for name in remarks:
        rules = key_rules(name, schema)
        assert set(remarks[name]) <= set(rules)
        for key, (allowed, _, words) in rules.items():
            told = parts(remarks[name].get(key) or words)
            remark = plain(" ".join(" ".join(lines) for fixed, lines in told if not fixed))
            assert remark
            assert remark.rstrip(":.")[1:] in text, (name, key)
            assert allowed


def test_every_table_of_the_settings_has_its_remarks() -> None:
    there_are = set(settings_schema()["properties"])
    told = {table.name or key for table in tables(default_file()) for key in table.keys}
    assert there_are <= told


def nodes(schema: Node) -> dict[str, Node]:
    return {"": schema, **schema["$defs"]}


@pytest.mark.parametrize("schema", [settings_schema(), sound_schema()], ids=["settings", "sound"])
def test_every_field_has_words_beside_it(schema: Node) -> None:
    for name, node in nodes(schema).items():
        for key, part in node["properties"].items():
            described = "description" in part or "$ref" in part or "items" in part
            assert described, (name, key)


def test_every_key_of_a_sound_is_in_the_manual_with_its_words() -> None:
    text = read(SOUND)
    for name, node in nodes(sound_schema()).items():
        for key, part in node["properties"].items():
            assert re.search(rf"\b{key}\b", text), (name, key)
            assert plain(part.get("description", ""))[1:] in text, (name, key)


def test_the_pages_say_where_the_files_are() -> None:
    for path in DEFAULT_PATHS:
        assert str(path) in read(COMMAND)
        assert str(path) in read(SETTINGS)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_bears_its_name_date_and_version(name: str) -> None:
    title, section = Path(name).name.rsplit(".", 1)
    assert read(PAGES[name].splitlines()[0]) == (
        f'{title.upper()} {section} {DATE} "partiald {VERSION}"'
    )


@pytest.mark.gig
@pytest.mark.parametrize("name", PAGES)
def test_roff_finds_nothing_to_say_against_a_page(name: str, tmp_path: Path) -> None:
    main(str(tmp_path), DATE, VERSION)
    lint = ["mandoc", "-T", "lint", "-W", "all", str(tmp_path / name)]
    assert subprocess.run(lint, capture_output=True, text=True, check=False).stdout == ""


def test_no_word_becomes_a_command() -> None:
    page = Page("organ", 1, "a test", DATE, VERSION)
    page.paragraph(".TH is no command here, nor is \\fB or 'this'")
    page.verbatim(".so /etc/hosts", "", "'br")
    lines = page.text().splitlines()
    commands = [line.split()[0] for line in lines if line.startswith((".", "'"))]
    assert commands == [".TH", ".SH", *[".PP"] * 2, ".RS", ".nf", ".fi", ".RE"]
    assert read("\n".join(lines[3:])) == (
        ".TH is no command here, nor is \\fB or 'this' .so /etc/hosts 'br"
    )


def test_marks_become_bold_and_slanted() -> None:
    assert marked("move `volume_db`, *n* times") == r"move \fBvolume_db\fR, \fIn\fR times"
    assert escaped("8' - 2 * 3") == r"8\(aq \- 2 * 3"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("how loud", "How loud."),
        ("Ready to play:", "Ready to play."),
        ("... and how far", "... and how far."),
        ("true: a drone.", "true: a drone."),
        ("from 1 to 12 ...", "From 1 to 12 ..."),
    ],
)
def test_what_stands_beside_a_word_becomes_a_sentence(words: str, told: str) -> None:
    assert sentence(words) == told
