"""What an edit of the settings changes, in words for the log."""

from collections.abc import Iterator
from typing import Any

from config.settings import Settings
from config.wording import written


def changes(old: Settings, new: Settings) -> str:
    """Return what is to be appended to a line on new settings; empty: nothing has changed."""
    before = dict(_leaves(old.model_dump()))
    told = [
        f"{key} = {written(value)}"
        for key, value in _leaves(new.model_dump())
        if before.get(key) != value
    ]
    anew = "; the sound card is opened anew" if old.audio != new.audio else ""
    return f"; new: {', '.join(told)}{anew}" if told else ""


def _leaves(plain: dict[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in plain.items():
        if isinstance(value, dict) and value:
            yield from _leaves(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value
