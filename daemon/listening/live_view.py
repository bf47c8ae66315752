"""The live view of controllers: one block of text that is written in place, again and again.

Units: columns and lines; hertz at A4 = 440. Promise: no line is wider than 79 columns, and no
colour is needed.
"""

from collections.abc import Iterator, Sequence

from config.toml.wording import counted
from daemon.key_names import key_name
from daemon.listening.seen import Knob, Seen
from daemon.midi.message_words import control_words

_WIDTH = 79
_TRACK = 16
_MOST_KNOBS = 10


def view(controllers: Sequence[Seen]) -> str:
    """Return the view of all controllers; the caller cuts it to the terminal."""
    if not controllers:
        return "no controller yet; waiting for one (Ctrl-C ends)\n"
    lines = [line[:_WIDTH] for each in controllers for line in _lines(each)]
    return "\n".join([*lines, "Ctrl-C ends, and shows the settings that suit it"]) + "\n"


def _lines(seen: Seen) -> Iterator[str]:
    yield f"{seen.name}: {counted(seen.messages, 'message')}"
    yield f"  last      {seen.last or 'nothing yet'}"
    yield f"  keys down {_keys(seen)}"
    if seen.last_key is not None:
        hertz = 440.0 * 2 ** ((seen.last_key - 69) / 12)
        yield f"  note      {key_name(seen.last_key)}, key {seen.last_key}, {hertz:.2f} Hz"
    yield f"  velocity  {_velocity(seen)}"
    for number, knob in sorted(seen.knobs.items())[:_MOST_KNOBS]:
        yield _bar(f"control {control_words(number)}", knob)
    if len(seen.knobs) > _MOST_KNOBS:
        yield f"  and {counted(len(seen.knobs) - _MOST_KNOBS, 'more knob')}"
    if seen.bend is not None:
        yield _bar("pitch bend", seen.bend)
    if seen.pressure is not None:
        yield _bar("pressure", seen.pressure)


def _keys(seen: Seen) -> str:
    return " ".join(key_name(key) for key in sorted(seen.down)) or "none"


def _velocity(seen: Seen) -> str:
    if seen.fixed_velocity:
        return f"always {seen.fixed_velocity}: set fixed_velocity"
    if not seen.velocities:
        return "none yet"
    low, high = min(seen.velocities), max(seen.velocities)
    return f"{low} to {high}, {counted(len(seen.velocities), 'value')}" if low < high else f"{low}"


def _bar(name: str, knob: Knob) -> str:
    filled = round(knob.value / 127 * _TRACK)
    track = "#" * filled + "." * (_TRACK - filled)
    noise = f", trembles by {knob.noise}" if knob.noise else ""
    return f"  {name:<28.28} [{track}] {knob.value:>3}, {knob.low} to {knob.high}{noise}"
