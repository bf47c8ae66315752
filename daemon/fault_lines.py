"""Faults told to whoever gave a command: on stderr, one entry each, after our name.

Units: columns. Promise: an entry is one line where a program reads it; a terminal gets it folded
between words, but not inside quotes, so that a name or a command to copy stays whole.
"""

import os
import re
import sys

from config.toml.printable import printable

_INDENT = "    "
_QUOTED = re.compile(r"(?<!\w)'[^']+'")
_GLUE = "\0"
"""Stands for a space that is not to be broken at; `printable` has left none."""


def tell_fault(fault: str) -> None:
    """Write a fault to stderr."""
    sys.stderr.write(f"{_folded(f'partiald: {printable(fault)}')}\n")


def _folded(line: str) -> str:
    if not sys.stderr.isatty():
        return line
    import textwrap  # rarely needed, and slow to import

    try:
        columns = os.get_terminal_size(sys.stderr.fileno()).columns
    except OSError:
        columns = 0
    if columns <= len(_INDENT):  # a terminal that does not say how wide it is
        return line
    whole = _QUOTED.sub(lambda found: found[0].replace(" ", _GLUE), line)
    return textwrap.fill(
        *(whole, columns),
        subsequent_indent=_INDENT,
        break_long_words=False,
        break_on_hyphens=False,
    ).replace(_GLUE, " ")
