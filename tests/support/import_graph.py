"""Which module imports which, read from the source: at the top, in functions, for types only.

A module that is fetched by its name (`import_module`) counts too; of a name that is put together,
every module that begins like it.
"""

import ast
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = ("config", "voices", "daemon")
Graph = dict[str, set[str]]


def sources(root: Path = ROOT) -> dict[str, Path]:
    """Return every module of the program, and its file."""
    return {
        ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__"): path
        for package in PACKAGES
        for path in sorted((root / package).rglob("*.py"))
    }


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def imported(path: Path) -> Iterator[str]:
    """Yield every name a file imports: `a.b` for `import a.b`, and `a.b.c` for `from a.b import c`.

    A name that is fetched ends in ``*`` where only its beginning is known.
    """
    for node in ast.walk(parsed(path)):
        match node:
            case ast.Import(names=names):
                yield from (each.name for each in names)
            case ast.ImportFrom(module=module, names=names, level=level):
                yield from ("." * level + f"{module or ''}.{each.name}" for each in names)
            case ast.Call(
                func=ast.Name(id="import_module") | ast.Attribute(attr="import_module"),
                args=[ast.Constant(value=str(name)), *_],
            ):
                yield name
            case ast.Call(
                func=ast.Name(id="import_module") | ast.Attribute(attr="import_module"),
                args=[ast.JoinedStr(values=[ast.Constant(value=str(start)), *_]), *_],
            ):
                yield start + "*"


def graph(modules: Mapping[str, Path]) -> Graph:
    """Return for each module those of ``modules`` that it imports."""
    found: Graph = {}
    for module, path in modules.items():
        found[module] = set()
        for name in imported(path):
            if name.endswith("*"):
                found[module] |= {each for each in modules if each.startswith(name[:-1])}
            else:
                found[module] |= {name, name.rpartition(".")[0]} & modules.keys()
    # `from daemon.ipc import x` passes through the package's own file, which holds no code.
    packages = {module for module, path in modules.items() if path.name == "__init__.py"}
    return {module: names - packages for module, names in found.items() if module not in packages}


def circles(edges: Graph) -> list[set[str]]:
    """Return every set of modules that import each other, straight or by others."""
    ahead = {start: reached(edges, start) for start in edges}
    found: list[set[str]] = []
    for start in edges:
        circle = {other for other in ahead[start] if start in ahead.get(other, ())}
        if circle and circle not in found:
            found.append(circle)
    return found


def reached(edges: Graph, start: str) -> set[str]:
    """Return what can be reached from ``start`` by one step or more."""
    found: set[str] = set()
    ahead = set(edges.get(start, ()))
    while ahead:
        step = ahead.pop()
        if step not in found:
            found.add(step)
            ahead |= edges.get(step, set())
    return found
