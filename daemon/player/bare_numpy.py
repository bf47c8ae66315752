"""The bare numpy: imported without its documentation, and without the types of its arguments.

Both are for whoever writes programs, and make up two fifths of its import: for a start on a small
board that is a tenth of a second. Empty modules stand where numpy looks for them; its own
documentation is built with such stand-ins, too.

Promise: only versions that this is tested with are treated so. What is left out is nowhere read.
"""

import sys
from importlib.machinery import PathFinder
from pathlib import Path
from types import GenericAlias, ModuleType
from typing import Any

KNOWN = ("1.24.", "1.26.", "2.2.", "2.4.")
_DOCUMENTATION = ("_add_newdocs", "_add_newdocs_scalars")


class _Array:
    """What stands for the type of an array."""

    def __class_getitem__(cls, item: object) -> GenericAlias:
        return GenericAlias(cls, item)


def leave_out() -> bool:
    """Have numpy imported so from now on; return whether its version is known."""
    spec = PathFinder.find_spec("numpy")
    if "numpy" in sys.modules or spec is None or spec.origin is None:
        return False
    try:
        version = Path(spec.origin).with_name("version.py").read_text("utf-8")
    except OSError:
        return False
    if not any(f'"{each}' in version or f"'{each}" in version for each in KNOWN):
        return False
    for core in ("numpy._core", "numpy.core"):
        for name in _DOCUMENTATION:
            _stand_in(f"{core}.{name}")
    _stand_in("numpy._typing", ArrayLike=Any, DTypeLike=Any, NBitBase=object, NDArray=_Array)
    _stand_in("numpy._typing._add_docstring", _docstrings="")
    return True


def _stand_in(name: str, **holds: object) -> None:
    module = sys.modules[name] = ModuleType(name)
    vars(module).update(holds)
