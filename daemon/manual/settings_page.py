"""The manual page of the settings file, from the schema and the remarks of the commented file."""

import re

from config.layers import BOOT, LEARNED, OWNER
from daemon.manual.commented_file import Table, default_file, parts, tables
from daemon.manual.roff import Page, bold, escaped, sentence
from daemon.manual.rule_words import default, either, rule
from daemon.manual.schema import Node, resolved, settings_schema

_LONG = 40
"""A default of this many characters is left out."""


def settings_page(date: str, version: str) -> str:
    """Return partiald.toml(5)."""
    page = Page("partiald.toml", 5, "the settings of partiald", date, version)
    page.section("SYNOPSIS")
    for path in (OWNER, LEARNED, BOOT):
        page.item(rf"\fI{escaped(str(path))}\fR")
    page.section("DESCRIPTION")
    page.paragraph(
        "The settings are TOML: lines such as `polyphony = 32`, some of them below the name of a "
        "table in brackets, such as `[audio]`. All of them may be left out; an empty file is "
        "complete. Where two of the files above disagree, the one further down wins."
    )
    page.paragraph(
        "A saved file takes effect while the instrument plays. A mistake in it never silences the "
        "instrument: `partiald check` says which line is wrong, and what would be right."
    )
    page.section("SETTINGS")
    schema = settings_schema()
    for table in tables(default_file()):
        _add(page, table, schema)
    page.section("SEE ALSO")
    page.paragraph("`partiald`(1), `partiald-sound`(5)")
    return page.text()


def variants(name: str, schema: Node) -> list[Node]:
    """Return the parts of the schema that describe a table: one, or one for each of its kinds."""
    node = schema
    for step in filter(None, name.split(".")):
        node = resolved(node["properties"][step], schema)
    items = node.get("items", node)
    return [resolved(each, schema) for each in items.get("oneOf", [items])]


def key_rules(name: str, schema: Node) -> dict[str, tuple[str, str, str]]:
    """Return what each key of a table may hold, its default, and the words beside its field."""
    found: dict[str, list[tuple[str, str, str]]] = {}
    for node in variants(name, schema):
        for key, part in node["properties"].items():
            if not _is_table(part, schema):
                words = part.get("description", "")
                found.setdefault(key, []).append((rule(part, schema), default(part), words))
    return {key: _joined(rules) for key, rules in found.items()}


def _joined(rules: list[tuple[str, str, str]]) -> tuple[str, str, str]:
    allowed = either([each for each, _, _ in rules])
    return allowed, rules[0][1], rules[0][2]


def _is_table(part: Node, schema: Node) -> bool:
    node = resolved(part, schema)
    return "properties" in resolved(node.get("items", node), schema) or "oneOf" in node.get(
        "items", {}
    )


def _add(page: Page, table: Table, schema: Node) -> None:
    if table.name:
        several = schema["properties"][table.name].get("type") == "array"
        page.subsection(f"[[{table.name}]]" if several else f"[{table.name}]")
        for block in table.about:
            for fixed, lines in parts(block):
                (page.verbatim if fixed else page.paragraph)(*lines)
    rules = key_rules(table.name, schema)
    for key in (*table.keys, *(key for key in rules if key not in table.keys)):
        allowed, usual, words = rules[key]
        told = list(parts(table.keys.get(key) or words))
        remark = " ".join(" ".join(lines) for fixed, lines in told if not fixed)
        page.item(bold(key), sentence(remark), *_rule(remark, allowed, usual))
        for fixed, lines in told:
            if fixed:
                page.verbatim(*lines)


def _rule(remark: str, allowed: str, usual: str) -> list[str]:
    """Return what a key may hold and its default, as far as the remark does not say it."""
    names = re.findall(r'"([\w -]+)"', allowed)
    told = [] if names and all(name in remark for name in names) else [allowed]
    told += [f"default `{usual}`"] if usual and len(usual) < _LONG else []
    return [sentence("; ".join(told))] if told else []
