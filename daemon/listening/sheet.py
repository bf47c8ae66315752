"""The sheet of a controller: what it is, what never came from it, and the settings that suit it.

Promise: the lines of settings are TOML that partiald's own rules accept.
"""

from collections.abc import Iterator

from config.settings import Settings
from config.toml.syntax import inline
from config.toml.wording import counted
from daemon.key_names import key_name
from daemon.listening.seen import PEDAL, Seen
from daemon.midi.message_words import control_words

_OWN_MEANING = frozenset((0, 1, 5, 6, 7, 8, 10, 11, 32, 38, *range(64, 70), *range(96, 102)))
"""Controllers whose meaning is fixed, which need no binding."""
_TARGETS = ("tilt", "release", "attack", "even", "overtones", "pan")
"""What knobs without a meaning are offered for, in this order."""
_HIGHEST = 119


def words(seen: Seen) -> Iterator[str]:
    """Yield the sheet, line by line."""
    yield f"{seen.name}: {counted(seen.messages, 'message')}"
    if seen.keys:
        low, high = min(seen.keys), max(seen.keys)
        span = f"{key_name(low)} to {key_name(high)}"
        yield f"  keys      {len(seen.keys)} struck of the {high - low + 1} from {span}"
    yield f"  channels  {', '.join(map(str, sorted(seen.channels))) or 'none'}"
    if seen.fixed_velocity:
        yield f"  velocity  always {seen.fixed_velocity}"
    elif seen.velocities:
        low, high = min(seen.velocities), max(seen.velocities)
        yield f"  velocity  {low} to {high}" if low < high else f"  velocity  {low}"
    for number, knob in sorted(seen.knobs.items()):
        kind = "switch" if knob.is_switch else f"{knob.low} to {knob.high}"
        noise = f", trembles by {knob.noise}" if knob.noise else ""
        yield f"  control   {control_words(number)}: {kind}{noise}"
    for name, moving in (("bend", seen.bend), ("pressure", seen.pressure)):
        if moving is not None:
            yield f"  {name:<9} {moving.low} to {moving.high}"
    if absent := seen.never_came():
        yield f"  never came: {', '.join(absent)}"


def settings_lines(seen: Seen) -> list[str]:
    """Return the lines of settings that suit a controller."""
    lines = ["[controller]", f"name = {inline(seen.name)}"]
    if seen.fixed_velocity:
        lines.append("fixed_velocity = 100  # its keys have no velocity of their own")
    bound = {each.control: each.target for each in Settings().bindings}
    free = [
        number
        for number, knob in sorted(seen.knobs.items())
        if number not in _OWN_MEANING | {PEDAL} and number <= _HIGHEST and not knob.is_switch
    ]
    taken = {bound[number] for number in free if number in bound}
    offered = iter([target for target in _TARGETS if target not in taken])
    for number in free:
        target = bound.get(number) or next(offered, None)
        if target is not None:
            lines += ["", "[[bindings]]", f"control = {number}", f"target = {inline(target)}"]
    return lines
