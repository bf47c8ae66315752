"""A text that is written again and again in the same place, until Ctrl-C.

Units: seconds, columns, lines. Threads: the first, which waits in between.

On a terminal each text overwrites the one before, cut to the width and height; only the cursor
moves, so what stood above stays. Anywhere else each text is a block of its own.
"""

import shutil
import time
from collections.abc import Callable
from typing import TextIO

from daemon.errors import RunError

PERIOD_S = 1.0


def follow(
    text: Callable[[], str],
    stream: TextIO,
    wait: Callable[[float], None] = time.sleep,
    size: Callable[[], tuple[int, int]] = shutil.get_terminal_size,
) -> int:
    """Write the text every second; return 0 when interrupted.

    Parameters
    ----------
    text
        Called each time; a `RunError` after the first time is shown in its place.
    stream
        Where to write.
    wait, size
        The pause, and columns and lines of the terminal; for tests.
    """
    in_place = stream.isatty()
    shown = 0
    try:
        block = text()
        while True:
            lines = block.splitlines()
            if in_place:
                columns, rows = size()
                lines = [line[: max(columns - 1, 1)] for line in lines[: max(rows - 1, 1)]]
                back = f"\x1b[{shown}F" if shown else ""
                body = "".join(f"{line}\x1b[K\n" for line in lines)
                stream.write(f"{back}{body}\x1b[J")
            else:
                stream.write("\n" * bool(shown) + "".join(f"{line}\n" for line in lines))
            stream.flush()
            shown = len(lines)
            wait(PERIOD_S)
            try:
                block = text()
            except RunError as fault:
                block = f"{fault}\n"
    except KeyboardInterrupt:
        return 0
