"""A phrase that suits a sound: what one would play to hear what it is.

Units: seconds, MIDI keys. The phrases are our own.
"""

from collections.abc import Sequence

import numpy as np

from daemon.offline.midi_file import Song

BEAT_S = 0.55
_CHANNEL_ON, _CHANNEL_OFF, _CONTROL = 0x90, 0x80, 0xB0
_SWELL = 11

Note = tuple[float, float, int, int]
"""Beat, beats held, key, velocity."""

# Held chords over a walking bass: what stands still, and how the compass hangs together.
_HELD: Sequence[Note] = (
    *((0.0, 3.8, 48, 90), (0.0, 1.8, 60, 90), (0.0, 1.8, 64, 90), (0.0, 1.8, 67, 90)),
    *((2.0, 1.8, 62, 90), (2.0, 1.8, 65, 90), (2.0, 1.8, 69, 90), (4.0, 1.8, 43, 90)),
    *((4.0, 3.8, 59, 90), (4.0, 1.8, 62, 90), (4.0, 3.8, 67, 90), (6.0, 1.8, 65, 90)),
    *((6.0, 1.8, 41, 90), (8.0, 4.0, 36, 90), (8.0, 4.0, 60, 90), (8.0, 4.0, 64, 90)),
    (8.0, 4.0, 72, 90),
)
# Broken chords from soft to strong, then one that rings.
_STRUCK: Sequence[Note] = (
    *[
        (place * 0.5, 0.45, key, 36 + 7 * place)
        for place, key in enumerate((48, 55, 60, 64, 67, 72, 76, 72, 67, 64, 60, 55))
    ],
    *((6.0, 5.0, 43, 100), (6.1, 5.0, 59, 90), (6.2, 5.0, 67, 96), (6.3, 5.0, 74, 104)),
)
# A line that is carried, growing softer before its longest note and swelling on it.
_CARRIED: Sequence[Note] = (
    *((0.0, 1.5, 60, 84), (1.5, 0.5, 62, 80), (2.0, 1.0, 64, 88), (3.0, 1.0, 67, 92)),
    *((4.0, 3.0, 69, 96), (7.0, 1.0, 67, 88), (8.0, 3.5, 60, 84), (8.0, 3.5, 48, 84)),
)
_SWELL_BEATS, _SWELL_TO = (0.0, 2.0, 4.0, 5.5, 7.0, 8.0), (100, 100, 64, 127, 72, 100)
_SWELLS: Sequence[tuple[float, int]] = tuple(
    (place / 16, round(float(np.interp(place / 16, _SWELL_BEATS, _SWELL_TO))))
    for place in range(129)
)
"""The swell, in steps of a sixteenth of a beat: it never leaps."""


def phrase(family: str | None) -> Song:
    """Return a phrase for a family of sounds, as a song."""
    swells: Sequence[tuple[float, int]] = ()
    if family in ("struck", "plucked", "bar", "bell"):
        notes = _STRUCK
    elif family in ("bowed", "blown", "sung", "glass"):
        notes, swells = _CARRIED, _SWELLS
    else:
        notes = _HELD
    events = [(beat, bytes((_CHANNEL_ON, key, velocity))) for beat, _, key, velocity in notes]
    events += [(beat + held, bytes((_CHANNEL_OFF, key, 64))) for beat, held, key, _ in notes]
    events += [(beat, bytes((_CONTROL, _SWELL, value))) for beat, value in swells]
    events.sort(key=lambda event: event[0])
    in_time = [(beat * BEAT_S, message) for beat, message in events]
    return Song(in_time, in_time[-1][0], 1, [])
