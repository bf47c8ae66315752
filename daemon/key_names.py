"""The names of keys."""

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def key_name(key: int) -> str:
    """Return the name of a key number: 60 is C4, as in the tables of the trade."""
    return f"{_NAMES[key % 12]}{key // 12 - 1}"
