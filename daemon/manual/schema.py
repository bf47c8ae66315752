"""The JSON schemas of settings files and of sound files, for editors and for the manual.

Promise: they say what the models say, with the words that stand beside each field, and nothing
that a TOML file cannot hold.
"""

import ast
import inspect
import textwrap
from collections.abc import Iterator
from typing import Any

from config.settings import Settings
from config.sound import Sound
from config.targets import TARGETS
from config.toml.section import Section

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


def _schema(model: type[Section], title: str, about: str) -> Node:
    made = {"$schema": DRAFT} | model.model_json_schema() | {"title": title, "description": about}
    models = {each.__name__: each for each in _below(Section)}
    for name, node in [(model.__name__, made), *made.get("$defs", {}).items()]:
        if name in models:
            words = _field_words(models[name])
            node["properties"] = {
                key: _plain(part, words.get(key)) for key, part in node["properties"].items()
            }
    return made


def _plain(part: Node, words: str | None) -> Node:
    """Return a field's part of a schema without what a TOML file has no word for."""
    plain = {key: value for key, value in part.items() if key != "title"}
    if words:
        plain["description"] = words
    if "default" in plain:
        plain["default"] = _without_nothing(plain["default"])
        if plain["default"] is None:
            del plain["default"]
    if "anyOf" in plain:
        kinds = [kind for kind in plain.pop("anyOf") if kind.get("type") != "null"]
        plain |= kinds[0] if len(kinds) == 1 else {"anyOf": kinds}
    return plain


def _without_nothing(value: Any) -> Any:
    """Return a value without the keys that TOML leaves out."""
    match value:
        case dict():
            return {key: each for key, each in value.items() if each is not None}
        case list():
            return [_without_nothing(each) for each in value]
    return value


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


def _below(model: type[Section]) -> Iterator[type[Section]]:
    for each in model.__subclasses__():
        yield each
        yield from _below(each)


def _field_words(model: type[Section]) -> dict[str, str]:
    """Return the docstring that stands below each field of a model, on one line."""
    words: dict[str, str] = {}
    for each in reversed(model.__mro__):
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
