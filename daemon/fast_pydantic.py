"""pydantic without its search for plug-ins, which an instrument has none of.

`PYDANTIC_DISABLE_PLUGINS` spares the search, and not the import of what it would be made with, for
which every start would pay. So a stand-in takes the place of the module that does it. Whatever
else is asked of that, by another version of pydantic, comes from the real one.
"""

import os
import sys
from importlib import import_module
from types import ModuleType

_SEARCH = "pydantic.plugin._loader"


def spare_the_search() -> None:
    """Have pydantic find no plug-ins; before its first model is made."""
    os.environ["PYDANTIC_DISABLE_PLUGINS"] = "__all__"
    stand_in = ModuleType(_SEARCH)
    vars(stand_in).update(get_plugins=tuple, __getattr__=_from_the_real_one)
    sys.modules.setdefault(_SEARCH, stand_in)


def _from_the_real_one(name: str) -> object:
    if name.startswith("__"):  # what every import asks of a module
        raise AttributeError(name)
    del sys.modules[_SEARCH]
    return getattr(import_module(_SEARCH), name)
