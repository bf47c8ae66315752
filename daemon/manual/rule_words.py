"""What a field may hold, in words, from its part of a schema."""

import json
from typing import Any

from daemon.manual.schema import Node, resolved


def rule(node: Node, schema: Node) -> str:
    """Return what a field may hold: ``a number, -80 to 6``."""
    node = resolved(node, schema)
    for several in ("anyOf", "oneOf"):
        if several in node:
            return either([rule(each, schema) for each in node[several]])
    if "const" in node:
        return toml(node["const"])
    if "enum" in node:
        return either([toml(each) for each in node["enum"]])
    match node.get("type"):
        case "integer":
            return "a whole number" + _range(node)
        case "number":
            return "a number" + _range(node)
        case "boolean":
            return "true or false"
        case "string":
            longest = node.get("maxLength")
            return f"text of at most {longest} characters" if longest else "text"
        case "array":
            return _list(node, rule(node["items"], schema))
        case "object" if "properties" in node:
            return "a table"
    return f"a table; each of its values is {rule(node['additionalProperties'], schema)}"


def default(node: Node) -> str:
    """Return the default as it would stand in a file; empty: there is none."""
    value = node.get("default")
    return "" if value is None or isinstance(value, dict) else toml(value)


def toml(value: Any) -> str:
    """Return a value as it would stand in a file."""
    return json.dumps(value, ensure_ascii=False)


def either(rules: list[str]) -> str:
    """Return that one of several holds."""
    *others, last = dict.fromkeys(rules)
    if not others:
        return last
    joint = ", or " if any(", " in each for each in (*others, last)) else " or "
    return f"{(joint if joint != ' or ' else ', ').join(others)}{joint}{last}"


def _range(node: Node) -> str:
    low, high = node.get("minimum"), node.get("maximum")
    return "" if low is None or high is None else f", {low:g} to {high:g}"


def _list(node: Node, of: str) -> str:
    fewest, most = node.get("minItems"), node.get("maxItems")
    if fewest == most == 2:
        return f"a list of two, each {of}"
    return f"a list, each item {of}"
