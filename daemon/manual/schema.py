"""The JSON schemas of settings files and of sound files, for editors and for the manual.

Promise: they say what the models say, with the words that stand beside each field, and nothing
that a TOML file cannot hold.
"""

import ast
import inspect
import textwrap
from typing import Any, Literal, get_args, get_origin

from config.settings import Settings
from config.sound import Sound
from config.targets import TARGETS
from config.toml.field import REQUIRED, Before, Limits
from config.toml.section import Section, plain

Node = dict[str, Any]
"""A part of a schema."""
DRAFT = "https://json-schema.org/draft/2020-12/schema"


def settings_schema() -> Node:
    """Return the schema of ``partiald.toml``."""
    schema = _schema(Settings, "The settings of partiald", "An empty file is complete.")
    schema["$defs"]["Binding"]["allOf"] = _by_target()
    return schema


def sound_schema() -> Node:
    """Return the schema of a sound's file."""
    return _schema(Sound, "A sound of partiald", "A sum of sine tones, its partials.")


def resolved(node: Node, schema: Node) -> Node:
    """Return what a part of a schema stands for."""
    if "$ref" not in node:
        return node
    found: Node = schema["$defs"][node["$ref"].removeprefix("#/$defs/")]
    return found | {key: value for key, value in node.items() if key != "$ref"}


def _schema(section: type[Section], title: str, about: str) -> Node:
    inside: dict[str, Node] = {}
    made = _table(section, inside)
    return {"$schema": DRAFT, "$defs": inside} | made | {"title": title, "description": about}


def _table(section: type[Section], inside: dict[str, Node]) -> Node:
    """Return a section's part; those of the sections in it go to ``inside``."""
    words = _field_words(section)
    properties = {}
    for name, field in section.fields().items():
        properties[name] = _narrowed(_form(field.annotation, inside), field.metadata[0])
        if name in words:
            properties[name]["description"] = words[name]
        if field.default not in (REQUIRED, None):
            properties[name]["default"] = plain(field.default, {"exclude_none": True})
    made: Node = {
        "type": "object",
        "title": section.__name__,
        "description": inspect.getdoc(section),
        "properties": properties,
        "additionalProperties": False,
    }
    required = [name for name, field in section.fields().items() if field.default is REQUIRED]
    return made | ({"required": required} if required else {})


_TYPES = {int: "integer", float: "number", str: "string", bool: "boolean"}
_NARROWED = {
    "integer": ("minimum", "maximum", "", ""),
    "number": ("minimum", "maximum", "", ""),
    "string": ("", "", "minLength", "maxLength"),
    "array": ("", "", "minItems", "maxItems"),
    "object": ("", "", "minProperties", "maxProperties"),
}


def _form(form: Any, inside: dict[str, Node]) -> Node:
    """Return what a form is in a schema."""
    parts = get_args(form)
    if hasattr(form, "__metadata__"):
        node = _form(form.__origin__, inside)
        for note in form.__metadata__:
            node = note.schema if isinstance(note, Before) else _narrowed(node, note)
        return node
    match get_origin(form):
        case None if form in _TYPES:
            return {"type": _TYPES[form]}
        case None:
            if form.__name__ not in inside:
                inside[form.__name__] = {}  # its place, before those inside it
                inside[form.__name__] = _table(form, inside)
            return {"$ref": f"#/$defs/{form.__name__}"}
        case found if found is Literal:
            return {"enum": list(parts), "type": _TYPES[type(parts[0])]}
        case found if found is list:
            return {"type": "array", "items": _form(parts[0], inside)}
        case found if found is dict:
            return {"type": "object", "additionalProperties": _form(parts[1], inside)}
    kinds = [_form(part, inside) for part in parts if part is not type(None)]
    return kinds[0] if len(kinds) == 1 else {"anyOf": kinds}


def _narrowed(node: Node, note: object) -> Node:
    """Return a part of a schema with the limits that are beside a form, if it is such a note."""
    if not isinstance(note, Limits) or "type" not in node:
        return node
    limits = note.ge, note.le, note.min_length, note.max_length
    names = zip(_NARROWED.get(node["type"], ()), limits, strict=False)
    return node | {name: limit for name, limit in names if name and limit is not None}


def _by_target() -> list[Node]:
    """Return, for each target of a binding, its range and the key that says which one."""
    rules = []
    for name, row in TARGETS.items():
        ends = {"minimum": row.least, "maximum": row.most}
        then: Node = {"properties": {"low": ends, "high": ends}}
        if row.which:
            then["properties"][row.which] = {"minimum": 1, "maximum": row.many}
            then["required"] = [row.which]
        rules.append({"if": {"properties": {"target": {"const": name}}}, "then": then})
    return rules


def _field_words(section: type[Section]) -> dict[str, str]:
    """Return the docstring that stands below each field of a model, on one line."""
    words: dict[str, str] = {}
    for each in reversed(section.__mro__):
        if not issubclass(each, Section):
            continue
        (tree,) = ast.parse(textwrap.dedent(inspect.getsource(each))).body
        assert isinstance(tree, ast.ClassDef)
        for field, below in zip(tree.body, tree.body[1:], strict=False):
            match field, below:
                case (
                    ast.AnnAssign(target=ast.Name(id=name)),
                    ast.Expr(value=ast.Constant(value=str(text))),
                ):
                    words[name] = " ".join(text.split()).replace("``", "`")
    return words
