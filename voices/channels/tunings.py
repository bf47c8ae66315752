"""Tunings: the pitch of each of the 128 keys, as set up and as messages change it.

Units: pitches in semitones as key numbers (69.0 is 440 Hz), cents, frequencies in cycles per frame.

Source: MIDI Tuning Messages, CA-020, CA-021, RP-020 (1999).
"""

from collections.abc import Sequence
from math import log2

from config import settings
from config.temperament import offsets
from voices.curves import key_frequency

MOST = 128
"""Tuning programs kept; a message for one more changes nothing."""


class Tuning:
    """The pitch of every key."""

    def __init__(self, pitches: Sequence[float], sample_rate: int, name: str = "") -> None:
        self._sample_rate = sample_rate
        self.name = name
        self.pitches = list(pitches)
        self.frequencies = [self._turns(pitch) for pitch in self.pitches]
        """Cycles per frame of every key."""

    def put(self, key: int, pitch: float) -> None:
        """Tune one key."""
        self.pitches[key] = pitch
        self.frequencies[key] = self._turns(pitch)

    def _turns(self, pitch: float) -> float:
        return float(440.0 * 2.0 ** ((pitch - 69.0) / 12.0) / self._sample_rate)


class Tunings:
    """The tuning of the settings, and the tuning programs that came by messages."""

    def __init__(self, sample_rate: int) -> None:
        self._sample_rate = sample_rate
        self._programs: dict[tuple[int, int], Tuning] = {}
        self._of: settings.Tuning | None = None
        self.preset: Tuning
        """What every channel has until a message says otherwise."""

    def apply(self, tuning: settings.Tuning) -> bool:
        """Put the settings' tuning in force; return whether it is another than before.

        Then every tuning program is forgotten.
        """
        if tuning == self._of:
            return False
        self._of = tuning
        self._base = 69.0 + 12.0 * log2(tuning.a4_hz / 440.0)
        self.preset = preset(tuning, self._sample_rate)
        self._programs.clear()
        return True

    @property
    def default(self) -> Tuning:
        """The first tuning program, which every channel has at power-on."""
        return self._programs.get((0, 0), self.preset)

    def find(self, bank: int, program: int) -> Tuning | None:
        """Return a tuning program; None if there is none. The first is always there."""
        return self.default if (bank, program) == (0, 0) else self._programs.get((bank, program))

    def changeable(self, bank: int, program: int) -> Tuning | None:
        """Return a tuning program to change, starting from the preset; None: there is no room."""
        known = self._programs.get((bank, program))
        if known is None and len(self._programs) < MOST:
            known = Tuning(self.preset.pitches, self._sample_rate, self.preset.name)
            self._programs[bank, program] = known
        return known

    def octave(self, cents: Sequence[float]) -> Tuning:
        """Return the tuning of twelve keys C to B, in cents from equal temperament.

        A 440 Hz is that of the settings; their temperament is not added to (CA-021: offsets are not
        cumulative).
        """
        return Tuning(
            [self._base - 69.0 + key + cents[key % 12] / 100.0 for key in range(128)],
            self._sample_rate,
            "scale/octave",
        )


def preset(tuning: settings.Tuning, sample_rate: int) -> Tuning:
    """Return the tuning that settings describe."""
    tempered = offsets(tuning.temperament)
    base = 12.0 * log2(tuning.a4_hz / 440.0)
    pitches = [base + key + tempered[key % 12] / 100.0 for key in range(128)]
    made = Tuning(pitches, sample_rate, tuning.temperament)
    # Exactly the frequencies of the law, so that tables made once are found again.
    made.frequencies = [
        key_frequency(key, tuning.a4_hz, tempered) / sample_rate for key in range(128)
    ]
    return made
