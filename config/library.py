"""The sounds there are: those that come with partiald, and the owner's."""

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from config.sound import Sound

SHIPPED = Path(__file__).parent / "sounds"


@cache
def shipped() -> Mapping[str, Sound]:
    """Return the sounds that come with partiald, by name."""
    return {
        path.stem: Sound.model_validate(tomllib.loads(path.read_text("utf-8")))
        for path in sorted(SHIPPED.glob("*.toml"))
    }
