"""What is measured: voices that sound for as long as the measurement takes, and a chord.

Units: frames, at 48 kHz. Every load asserts that it is what its name says: all its voices sound,
all its partials, and a limiter or a motion that it is to have is at work.
"""

from collections.abc import Callable

import numpy as np

from config.settings import Settings
from config.sound import Sound
from voices.instrument import Instrument

RATE = 48_000
QUIET_DB, LOUD_DB = -60.0, 0.0
"""With the first no load comes near the ceiling, with the second every load passes it."""
KEYS_A_CHANNEL = 12
LOWEST_KEY = 24
"""Twelve keys from here on are low enough for 64 partials to stay below Nyquist."""
CHORD = range(60, 76)
CHORD_CHANNEL = 15


def busy_instrument(
    voices: int,
    partials: int,
    frames: int,
    *,
    moving: bool = False,
    limiting: bool = False,
    keys_a_channel: int = KEYS_A_CHANNEL,
    stretch: float = 0.0,
) -> Instrument:
    """Return an instrument with every voice sounding: two of three held, the third released.

    ``moving``: all of them bent and in vibrato. ``limiting``: louder than the ceiling. ``stretch``:
    of the partials; with any they are no harmonic series.
    """
    instrument = silent_instrument(
        partials, frames, polyphony=voices, limiting=limiting, stretch=stretch
    )
    places = [(voice // keys_a_channel, voice % keys_a_channel) for voice in range(voices)]
    for voice, (channel, key) in enumerate(places):
        instrument.take((0x90 | channel, LOWEST_KEY + key, 100), voice % frames)
    # Not sooner: a key that is released before its onset leaves a voice that ends at once.
    _render(instrument, RATE // 20)
    for channel, key in places[2::3]:
        instrument.take((0x80 | channel, LOWEST_KEY + key, 0))
    if moving:
        for channel in {channel for channel, _ in places}:
            instrument.take((0xB0 | channel, 1, 127))
            instrument.take((0xE0 | channel, 0, 80))
    _render(instrument, RATE // 20)
    assert_busy(instrument, voices, partials, moving=moving, limiting=limiting)
    return instrument


def silent_instrument(
    partials: int, frames: int, *, polyphony: int, limiting: bool = False, stretch: float = 0.0
) -> Instrument:
    """Return an instrument that plays nothing yet, and then so many partials a note."""
    sound = Sound.model_validate(
        {
            "title": "Bench",
            "about": "Harmonics for a measurement.",
            "level_db": LOUD_DB if limiting else QUIET_DB,
            "partials": {"count": partials, "level_db": 0.0, "stretch": stretch},
            "envelope": {"attack_s": 0.01, "decay_s": 600.0, "sustain": 0.5, "release_s": 600.0},
        }
    )
    settings = Settings.model_validate({"polyphony": polyphony, "sound": {"name": "bench"}})
    return Instrument(settings, sample_rate=RATE, block_frames=frames, sounds={"bench": sound})


def assert_busy(
    instrument: Instrument,
    voices: int,
    partials: int,
    *,
    moving: bool = False,
    limiting: bool = False,
) -> None:
    """Fail where an instrument does not play what it is said to."""
    assert instrument.sounding == voices, (instrument.sounding, voices)
    assert voices * partials <= instrument.partials < voices * (partials + 8)
    assert instrument.moving == moving
    ceiling = 10 ** (instrument.settings.level.ceiling_db / 20)
    highest = _render(instrument, RATE // 10)
    assert (highest > 0.99 * ceiling) == limiting, (highest, ceiling)


class Chord:
    """Sixteen keys struck, and released, each time within one block; beside what sounds already.

    Parameters
    ----------
    instrument
        With room for sixteen voices more, and nothing on the chord's channel.
    """

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self._beside = instrument.sounding
        self._out = np.zeros((instrument.block_frames, 2), np.float32)

    def costs(self, clock: Callable[[], int]) -> tuple[int, int]:
        """Return the cost of striking it and of releasing it: the messages, with their block."""
        costs = []
        for status in (0x90, 0x80):
            _render(self._instrument, RATE // 200)
            begun = clock()
            for key in CHORD:
                self._instrument.take((status | CHORD_CHANNEL, key, 100), key - CHORD[0])
            self._instrument.render(self._out)
            costs.append(clock() - begun)
            assert self._instrument.sounding == self._beside + len(CHORD)
        self._instrument.take((0xB0 | CHORD_CHANNEL, 120, 0))
        _render(self._instrument, RATE // 20)
        assert self._instrument.sounding == self._beside
        return costs[0], costs[1]


def _render(instrument: Instrument, frames: int) -> float:
    """Render at least so many frames; return the highest sample of them."""
    out = np.zeros((instrument.block_frames, 2), np.float32)
    highest = 0.0
    for _ in range(frames // instrument.block_frames + 1):
        instrument.render(out)
        highest = max(highest, float(np.abs(out).max()))
    return highest
