"""The manual page of a sound's file, from the schema."""

from importlib.resources import files

from daemon.manual.roff import Page, bold, sentence
from daemon.manual.rule_words import default, rule
from daemon.manual.schema import Node, resolved, sound_schema

_EXAMPLE = "stopped-flute"


def sound_page(date: str, version: str) -> str:
    """Return partiald-sound(5)."""
    page = Page("partiald-sound", 5, "a sound of partiald", date, version)
    page.section("SYNOPSIS")
    page.item(r"\fI/etc/partiald/sounds/NAME.toml\fR")
    page.section("DESCRIPTION")
    page.paragraph(
        "A sound is a sum of sine tones, its partials. Its file is TOML; the file's name, without "
        "`.toml`, is the sound's name. A file with the name of a sound that comes with partiald "
        "replaces that sound."
    )
    page.paragraph(
        "The partials are given in one of three ways: as `[[ranks]]`, which share a pitch, a slope "
        "and a body; as `[partials]`, one column of levels and ratios; or as `[footage]`, organ "
        "stops by their length in feet, each with its level in dB."
    )
    page.paragraph(
        "Levels are in dB. Times to decay or to fade are those in which the level falls by 60 dB, "
        "at C4. Where a key takes two numbers in a list, they are for the lowest partial and the "
        "highest; those between lie evenly, octave by octave."
    )
    page.paragraph(
        "`partiald check` says what is wrong with a file; `partiald sounds hear` *NAME* plays it."
    )
    page.section("KEYS")
    _add(page, "", "", sound_schema(), sound_schema(), {})
    page.section("EXAMPLE")
    page.paragraph(f"The sound `{_EXAMPLE}`:")
    text = files("config").joinpath("sounds", f"{_EXAMPLE}.toml").read_text("utf-8")
    page.verbatim(*text.splitlines())
    page.section("SEE ALSO")
    page.paragraph("`partiald`(1), `partiald.toml`(5)")
    return page.text()


def _add(
    page: Page, path: str, brackets: str, node: Node, schema: Node, seen: dict[str, str]
) -> None:
    """Add a table's keys, then the tables in it; one that is like another refers to that."""
    title = f"{brackets[:1]}{path}{brackets[-1:]}" if len(brackets) == 2 else f"[[{path}]]"
    if path:
        page.subsection(title)
        page.paragraph(node.get("description", ""))
    required = set(node.get("required", ()))
    below: list[tuple[str, str, Node, str]] = []
    for key, part in node["properties"].items():
        plain = resolved(part, schema)
        items = resolved(plain.get("items", plain), schema)
        if "properties" in items:
            reference = part.get("$ref") or part.get("items", {}).get("$ref", "")
            kind = "[[]]" if plain.get("type") == "array" else "[]"
            words = part.get("description") or items.get("description", "")
            below.append(
                (f"{path}.{key}".lstrip("."), kind, items | {"description": words}, reference)
            )
            continue
        allowed, usual = rule(part, schema), default(part)
        need = "; must be there" if key in required else f"; default `{usual}`" if usual else ""
        words = part.get("description", "")
        page.item(bold(key), *filter(None, [words, sentence(allowed + need)]))
    for name, kind, table, reference in below:
        if reference in seen:
            page.subsection(f"[{name}]")
            page.paragraph(f"{table['description']} The keys are those of `[{seen[reference]}]`.")
        else:
            seen[reference] = name
            _add(page, name, kind, table, schema, seen)
