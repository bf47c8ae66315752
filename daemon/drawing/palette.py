"""The colours of all pictures: of notes by their account, of levels, of paper and ink.

Units: red, green and blue, 0 to 255; parts of a ramp from 0 (quiet) to 1 (loud).

Promise: accounts that can stand in one picture differ in grey, too, by 25 of 255 and more.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Colour = tuple[int, int, int]

PAPER: Colour = (252, 249, 242)
PANEL: Colour = (255, 254, 251)
INK: Colour = (44, 40, 52)
SOFT: Colour = (104, 98, 106)
GRID: Colour = (230, 224, 214)
ABSENCE: Colour = (236, 233, 227)
LINE: Colour = (24, 118, 130)
FILL: Colour = (200, 222, 224)
ACCENT: Colour = (214, 84, 54)
PEAK: Colour = (196, 193, 200)
MEAN: Colour = (104, 100, 116)

ACCOUNTS: dict[str, Colour] = {
    "released": (24, 130, 140),
    "sounding": (24, 130, 140),
    "died away": (178, 222, 222),
    "stolen": (238, 118, 90),
    "retriggered": (230, 176, 70),
    "cut": (140, 44, 160),
}
OTHER: Colour = (70, 64, 70)
"""An account without a colour of its own: a note that was never heard."""
LETTERS = {"stolen": "S", "retriggered": "R", "cut": "C", "died away": "▒"}
"""What stands for an account where there are no colours; a full block for all others."""

LIGHT_RAMP: Sequence[Colour] = (
    (255, 254, 251),
    (248, 226, 178),
    (238, 168, 92),
    (202, 92, 66),
    (116, 42, 78),
    (34, 20, 44),
)
"""Quiet is paper, loud is ink."""
DARK_RAMP: Sequence[Colour] = (
    (22, 18, 28),
    (74, 30, 72),
    (158, 52, 76),
    (222, 112, 68),
    (250, 226, 160),
)
"""Quiet is night, loud is light: for terminals."""


def shades(ramp: Sequence[Colour], part: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return the colours along a ramp; one axis more than ``part``."""
    stops = np.linspace(0.0, 1.0, len(ramp))
    channels = [np.interp(part, stops, [colour[i] for colour in ramp]) for i in range(3)]
    return np.stack(channels, axis=-1).astype(np.uint8)


def account_colour(account: str) -> Colour:
    """Return the colour of an account."""
    return ACCOUNTS.get(account, OTHER)
