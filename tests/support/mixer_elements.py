"""Controls of a sound card's own mixer, as the kernel would describe them."""

from daemon.soundcard.alsa_control import Element


def switch(name: str, on: int, writable: bool = True) -> Element:
    return Element(1, f"{name} Playback Switch", "switch", (on, on), writable=writable)


def volume(name: str, value: int, low_db: float | None = -60.0, high_db: float = 4.0) -> Element:
    """128 steps of half a decibel."""
    top = None if low_db is None else high_db
    return Element(2, f"{name} Playback Volume", "volume", (value, value), 0, 128, low_db, top)
