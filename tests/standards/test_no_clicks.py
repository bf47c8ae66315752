"""Nothing that is switched, faded or taken away in the middle of a note clicks.

Notes on C2 have no partial above 4 kHz here, and their noises are left out: what lies above 8 kHz
is splatter. A raised cosine of 1 ms leaves -69 dB of it, one of 2 ms -81 dB, a hard switch -11 dB
(computed for a partial of 3 kHz).
"""

import numpy as np
import pytest
from scipy import signal

from config.library import shipped
from tests.support.measure import db, peak
from tests.support.measure_sounds import part
from tests.support.playing import RATE, Event, Recording, bend, control, off, on
from tests.support.takes import PLAYED, changed, perform_dry

pytestmark = pytest.mark.slow
C2, HELD = 36, [on(4800, 36, 100)]
SPLATTER_DB = -60.0
LEAP_DB = -57.0
"""A control that leaps over its whole range at once: as a raised cosine of half a millisecond."""
ABOVE_8_KHZ = signal.firwin(255, 8000.0, pass_zero=False, fs=RATE)
STRUCK = ("struck", "plucked", "bar", "bell")


def splatter_db(audio: Recording, begin_s: float = 0.0) -> float:
    """Return the peak of what lies above 8 kHz from a time on, beside that of the whole."""
    rough = signal.fftconvolve(audio.astype(np.float64), ABOVE_8_KHZ[:, None], "valid", axes=0)
    return db(peak(part(rough, begin_s, 60.0)) / peak(audio))


def played(name: str, *events: Event, room_db: float = -80.0) -> Recording:
    quiet = changed(name, onset_noise=None, release_noise=None)
    return perform_dry(name, [*HELD, *events], 1.5, quiet, room={"level_db": room_db})


@pytest.mark.parametrize("name", PLAYED)
def test_a_note_ends_without_a_click_and_begins_so_unless_it_is_struck(name: str) -> None:
    begin_s = 0.3 if shipped()[name].family in STRUCK else 0.0
    assert splatter_db(played(name, off(RATE // 2, C2)), begin_s) <= SPLATTER_DB


SWITCHED: dict[str, list[Event]] = {
    "the swell": [control(24_000, 11, 20), control(48_000, 11, 127)],
    "the volume": [control(24_000, 7, 10), control(48_000, 7, 127)],
    "brightness": [control(24_000, 74, 0), control(48_000, 74, 127)],
    "overtones": [control(24_000, 71, 0), control(48_000, 71, 127)],
    "even harmonics": [control(24_000, 70, 0), control(48_000, 70, 127)],
    "the tremulant": [control(24_000, 92, 127), control(48_000, 92, 0)],
    "the room's send": [control(24_000, 91, 127), control(48_000, 91, 0)],
    "vibrato": [control(24_000, 1, 127), control(48_000, 1, 0)],
    "a bend": [bend(24_000, 8191), bend(48_000, -8192)],
    "a stroke on the same key": [on(24_000, C2, 60), on(36_001, C2, 127)],
    "all sound off": [control(24_000, 120, 0)],
    "the pedal": [control(24_000, 64, 127), off(30_000, C2), control(48_000, 64, 0)],
}


# Sounds whose notes begin softly: what a second stroke adds is measured too.
@pytest.mark.parametrize("name", ["market-organ", "reed-organ", "sung-vowels", "brass-horn"])
@pytest.mark.parametrize("what", SWITCHED)
def test_what_is_switched_in_mid_note_does_not_click(name: str, what: str) -> None:
    assert splatter_db(played(name, *SWITCHED[what], room_db=-10.0)) <= LEAP_DB
