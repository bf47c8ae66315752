"""The command ``partiald chart``: the MIDI implementation chart, from the receiver's own tables.

Layout: the columns and groups of the standard's own chart (MIDI 1.0 Detailed Specification 4.2.1,
"MIDI Implementation Chart"): function, transmitted, recognized, remarks; O is yes, X is no. Every
row of controllers, modes and system messages is an entry of a table in `voices`, so the chart
says what happens. Promise: no line is wider than 79 columns.
"""

import argparse
import sys
import textwrap
from collections.abc import Iterator
from importlib import metadata
from typing import NamedTuple

from config.settings import Settings
from config.targets import TARGETS
from voices.receiver.channel_mode import MODES
from voices.receiver.channel_voice import MESSAGES, SYSTEM
from voices.receiver.control_change import CONTROLS
from voices.receiver.rpn import PARAMETERS
from voices.receiver.sysex import EXCLUSIVE

YES, NO = "O", "X"
_WIDTH = 79
_FUNCTION, _TRANSMITTED, _RECOGNISED = 43, 3, 6
"""The widths of the columns; remarks take what is left."""
_LOCAL, _NOTES_OFF, _SOUND_OFF, _RESET = 122, 123, 120, 121


class Row(NamedTuple):
    """One line of the chart."""

    function: str
    recognised: str
    remarks: str = ""
    transmitted: str = NO


def run(arguments: argparse.Namespace) -> int:
    """Print the chart."""
    sys.stdout.write(f"partiald {metadata.version('partiald')}\n\n{chart()}")
    return 0


def chart() -> str:
    """Return the chart as text, without the version."""
    lines = _lines(Row("Function", "R", "Remarks", "T"))
    for title, rows in _groups():
        lines += ["", title]
        for row in rows:
            lines += _lines(row._replace(function="  " + row.function))
    lines += ["", "T: transmitted, R: recognized; O: yes, X: no, A: only as an answer."]
    lines += ["Mode 1: omni on, poly. Mode 2: omni on, mono."]
    lines += ["Mode 3: omni off, poly. Mode 4: omni off, mono."]
    return "".join(line.rstrip() + "\n" for line in lines)


def _groups() -> Iterator[tuple[str, list[Row]]]:
    """Yield the groups in the standard's order."""
    controller = Settings().controller
    yield (
        "Basic channel",
        [
            Row("Default", "1-16", "each channel is a receiver of its own (GM2, section 2.5)"),
            Row("Changed", "1-16", "[controller] channels, basic_channel"),
        ],
    )
    yield (
        "Mode",
        [
            Row("Default", str(controller.mode), "[controller] mode"),
            Row("Messages", _all_modes(124, 125, 126, 127), "Omni on/off, mono on, poly on"),
            Row("Altered", "1-4", "with a basic channel; else 3 and 4 on every channel"),
        ],
    )
    yield "Note number", [Row("True voice", "0-127", "in another tuning: the key's own")]
    voice = {kind: MESSAGES[kind] for kind in sorted(MESSAGES)}
    yield "Velocity", [Row(f"{voice[n].function}", YES, voice[n].remarks) for n in (9, 8)]
    yield "Aftertouch", [Row(voice[n].function, YES, voice[n].remarks) for n in (10, 13)]
    yield "Pitch bend", [Row(voice[14].function, YES, voice[14].remarks)]
    yield "Control change", list(_controls())
    yield (
        "Registered parameters",
        [
            Row(f"{number}  {entry.function}", _mark(entry.recognised), entry.remarks)
            for number, entry in PARAMETERS.items()
        ],
    )
    most = len(Settings().sound.programs)
    yield (
        "Program change",
        [Row("True number", "0-127", f"{voice[12].remarks}; {most} there by default")],
    )
    yield "System exclusive", list(_exclusive())
    yield "System common", [_system(number) for number in SYSTEM if 0xF0 < number < 0xF8]
    yield "System real time", [_system(number) for number in SYSTEM if 0xF8 <= number < 0xFE]
    yield (
        "Aux messages",
        [
            *(_mode(number) for number in (_LOCAL, _NOTES_OFF, _SOUND_OFF, _RESET)),
            *(_system(number) for number in (0xFE, 0xFF)),
        ],
    )
    yield "What [[bindings]] can bind to a control, the wheel or pressure", list(_targets())


def _controls() -> Iterator[Row]:
    """Yield the controllers, an LSB in the row of its MSB."""
    for number in sorted(CONTROLS):
        entry = CONTROLS[number]
        lsb = CONTROLS.get(number + 32)
        if 32 <= number < 64 and CONTROLS.get(number - 32):
            continue
        name = f"{number}, {number + 32}" if number < 32 and lsb else str(number)
        yield Row(f"{name:<7}{entry.function}", _mark(entry.recognised), entry.remarks)
    yield Row("others to 119", NO, "any of 1 to 119 can be bound: see the end")


def _targets() -> Iterator[Row]:
    """Yield everything that a control can be bound to, with what it means at 0 and at 127."""
    for name, row in TARGETS.items():
        ends = f"{row.low:g} to {row.high:g} {row.unit}".strip()
        which = f"{row.which} = 1 to {row.many}; " if row.which else ""
        yield Row(f"{name:<14} {row.words}", YES, f"{which}{ends}")


def _exclusive() -> Iterator[Row]:
    for (time, first, second), entry in EXCLUSIVE.items():
        answered = entry.remarks.startswith("answered")
        name = f"{time:02X} {first:02X} {second:02X}  {entry.function}"
        yield Row(name, YES, entry.remarks, "A" if answered else NO)


def _system(number: int) -> Row:
    function, recognised, remarks = SYSTEM[number]
    return Row(function, _mark(recognised), remarks)


def _mode(number: int) -> Row:
    entry = MODES[number]
    return Row(f"{number} {entry.function}", _mark(entry.recognised), entry.remarks)


def _all_modes(*numbers: int) -> str:
    return _mark(all(MODES[number].recognised for number in numbers))


def _mark(recognised: bool) -> str:
    return YES if recognised else NO


def _lines(row: Row) -> list[str]:
    """Return a row as a line, with more lines below for the rest of its remarks."""
    start = (
        f"{row.function:<{_FUNCTION}} {row.transmitted:<{_TRANSMITTED}}"
        f"{row.recognised:<{_RECOGNISED}}"
    )
    first, *more = textwrap.wrap(row.remarks, _WIDTH - len(start)) or [""]
    return [start + first, *(" " * len(start) + line for line in more)]
