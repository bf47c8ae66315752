"""The wire format of tuning messages: three bytes a frequency, dumps, and scales by the octave.

Units: pitches in semitones as key numbers, cents. Data are the bytes behind the two that name a
message (08 and its kind), without the closing F7.

Source: MIDI Tuning Messages, CA-020, CA-021, RP-020 (1999). Its list of examples has slips of
arithmetic; its formula is followed here.
"""

from collections.abc import Iterator, Sequence

STEPS = 16384
"""To the semitone."""
NO_CHANGE = (127, 127, 127)
NAME_BYTES = 16
DUMP_BYTES = 408
"""A whole dump of one tuning program, F0 and F7 included."""
Change = tuple[int, float]
"""A key and its pitch."""


def pitch_of(word: Sequence[int]) -> float | None:
    """Return the pitch of three bytes; None: no change."""
    semitone, high, low = word
    if (semitone, high, low) == NO_CHANGE:
        return None
    return semitone + (high << 7 | low) / STEPS


def word_of(pitch: float) -> bytes:
    """Return the three bytes nearest to a pitch; the highest that is not "no change" at most."""
    steps = max(0, min(128 * STEPS - 2, round(pitch * STEPS)))
    return bytes((steps >> 14, steps >> 7 & 127, steps & 127))


def single_changes(words: Sequence[int]) -> Iterator[Change]:
    """Yield the changes in a list of four bytes each: key, frequency."""
    for place in range(0, len(words) - 3, 4):
        pitch = pitch_of(words[place + 1 : place + 4])
        if pitch is not None:
            yield words[place], pitch


def dump_changes(words: Sequence[int]) -> Iterator[Change]:
    """Yield the changes in 128 frequencies."""
    for key in range(128):
        pitch = pitch_of(words[3 * key : 3 * key + 3])
        if pitch is not None:
            yield key, pitch


def checksum(body: Sequence[int]) -> int:
    """Return the exclusive-or of all bytes between F0 and the checksum, seven bits of it."""
    total = 0
    for byte in body:
        total ^= byte
    return total & 127


def name_bytes(name: str) -> bytes:
    """Return sixteen bytes of a name."""
    return name[:NAME_BYTES].ljust(NAME_BYTES).encode("ascii", "replace")


def octave_cents(values: Sequence[int], width: int) -> list[float]:
    """Return twelve offsets in cents, C to B, of one byte (64 is 0) or two (8192 is 0) each."""
    if width == 1:
        return [float(value - 64) for value in values[:12]]
    pairs = zip(values[:24:2], values[1:24:2], strict=True)
    return [((high << 7 | low) - 8192) * 100.0 / 8192.0 for high, low in pairs]


def octave_bytes(cents: Sequence[float], width: int) -> bytes:
    """Return twelve offsets as they are sent; those out of range at the end of it."""
    if width == 1:
        return bytes(max(0, min(127, round(value) + 64)) for value in cents)
    steps = [max(0, min(16383, round(value * 8192.0 / 100.0) + 8192)) for value in cents]
    return bytes(byte for step in steps for byte in (step >> 7, step & 127))


def channels_of(high: int, middle: int, low: int) -> list[int]:
    """Return the channels, 0 to 15, that the three bytes of a scale message mean."""
    mask = (high & 3) << 14 | (middle & 127) << 7 | low & 127
    return [number for number in range(16) if mask >> number & 1]
