"""The rehearsal's tune: a waltz for a small organ at a street market, made for this.

Units: beats of `BEAT_S` seconds, counted from the first bar line; keys are MIDI key numbers.
All of it fits the controller's 25 keys from C3 to C5.

The tune shows what an instrument must survive: it is played as written, then beyond its polyphony
on the pedal, then the cable is pulled in the middle of a chord; and it ends well.
"""

from dataclasses import dataclass

from daemon.key_names import key_name

BEAT_S = 0.4
_BAR = 3.0
_KEYS = {key_name(key): key for key in range(128)}

# The left hand: the bass on one, the others on two and three.
_CHORDS = {
    "C": ("C3", "E3 G3"),
    "Am": ("C3", "E3 A3"),
    "F": ("F3", "A3 C4"),
    "Dm": ("D3", "F3 A3"),
    "G7": ("D3", "F3 G3"),
    "Em": ("E3", "G3 B3"),
}
_FIRST = (
    ("C", "E4 1 G4 1 C5 1"),
    ("Am", "C5 .5 B4 .5 A4 2"),
    ("F", "A4 1 C5 1 A4 1"),
    ("G7", "G4 2.5 F4 .5"),
    ("C", "E4 1 G4 1 E4 1"),
    ("Em", "B4 1.5 A4 .5 G4 1"),
    ("G7", "F4 1 E4 1 D4 1"),
    ("C", "C4 2"),
)
# Eleven keys one after the other while the pedal is down.
_RIPPLE = "F3 A3 C4 F4 A4 C5 E4 G4 D4 B4 G3"
_BRIDGE = (("G7", "B4 1 A4 .5 G4 .5 F4 1"), ("C", "E4 1 G4 .5 F4 .5 E4 1"))
_PULLED_CHORD = "F3 C4 F4 A4 C5"
_LAST = (("Am", "C5 1 B4 .5 A4 .5 E4 1"), ("Dm", "A4 1 G4 .5 F4 .5 D4 1"), ("G7", "G4 1 F4 1 D4 1"))
_LAST_CHORD = "C3 G3 E4 C5"


@dataclass(frozen=True)
class Step:
    """One message of the controller, or a move of its cable."""

    beat: float
    message: bytes
    """A channel message; empty for the cable."""
    cable: str = ""
    """``in`` or ``out``."""


def steps() -> list[Step]:
    """Return the whole rehearsal in the order of time."""
    made = [Step(-1.75, b"", "in")]
    beat = _bars(made, _FIRST, 0.0)
    made += _turn_of_a_knob(12.0, 18.0)
    beat = _ripple(made, beat)
    beat = _bars(made, _BRIDGE, beat)
    made += [Step(beat, _on(name, 92)) for name in _PULLED_CHORD.split()]
    made.append(Step(beat + 2.0, b"", "out"))
    made.append(Step(beat + 5.0, b"", "in"))
    beat = _bars(made, _LAST, beat + 7.5)
    made += _last_chord(beat + 0.25)
    return sorted(made, key=lambda step: step.beat)


def _on(name: str, velocity: int) -> bytes:
    return bytes((0x90, _KEYS[name], velocity))


def _note(made: list[Step], name: str, beat: float, length: float, velocity: int) -> None:
    made.append(Step(beat, _on(name, velocity)))
    made.append(Step(beat + length, bytes((0x80, _KEYS[name], 64))))


def _bars(made: list[Step], bars: tuple[tuple[str, str], ...], start: float) -> float:
    """Add bars of melody over the left hand; return the beat after them."""
    for number, (chord, melody) in enumerate(bars):
        bar = start + number * _BAR
        bass, others = _CHORDS[chord]
        _note(made, bass, bar, 0.9, 88)
        for name in others.split():
            _note(made, name, bar + 1.0, 0.45, 66)
            _note(made, name, bar + 2.0, 0.45, 62)
        words = melody.split()
        beat = bar
        for name, written in zip(words[::2], words[1::2], strict=True):
            length = float(written)
            _note(made, name, beat, length * 0.92, 102 if beat == bar else 94)
            beat += length
    return start + len(bars) * _BAR


def _ripple(made: list[Step], start: float) -> float:
    """Add the broken chord on the pedal: more keys than there are voices."""
    made.append(Step(start, bytes((0xB0, 64, 127))))
    for number, name in enumerate(_RIPPLE.split()):
        _note(made, name, start + 0.5 * number, 0.45, 80 + 2 * number)
    made.append(Step(start + 2 * _BAR - 0.1, bytes((0xB0, 64, 0))))
    return start + 2 * _BAR


def _turn_of_a_knob(start: float, end: float) -> list[Step]:
    """Return a turn of the brightness knob, up and back."""
    values = [*range(96, 128, 2), *range(127, 95, -2)]
    step = (end - start) / len(values)
    return [
        Step(start + number * step, bytes((0xB0, 74, value))) for number, value in enumerate(values)
    ]


def _last_chord(start: float) -> list[Step]:
    """Return the last chord, spread, with a swell of the modulation wheel."""
    made: list[Step] = []
    for number, name in enumerate(_LAST_CHORD.split()):
        _note(made, name, start + 0.25 * number, 6.0 - 0.25 * number, 96)
    swell = [*range(0, 64, 4), *range(64, -1, -4)]
    made += [
        Step(start + 1.5 + 0.125 * number, bytes((0xB0, 1, value)))
        for number, value in enumerate(swell)
    ]
    return made
