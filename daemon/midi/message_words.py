"""MIDI messages in words, with the names that the receiver's tables give them.

Units: C4 is key 60; programs count from 1.
"""

from collections.abc import Sequence

from daemon.key_names import key_name
from voices.receiver.channel_mode import MODES
from voices.receiver.channel_voice import SYSTEM
from voices.receiver.control_change import CONTROLS

_MOST_BYTES = 16


def message_words(message: Sequence[int]) -> str:
    """Return a message in words; its channel is not among them."""
    status = message[0]
    if status >= 0xF0:
        return _system(message)
    first, second = (*message[1:3], 0, 0)[:2]
    match status & 0xF0:
        case 0x90 if second:
            return f"note on  {_key(first)} velocity {second}"
        case 0x80 | 0x90:
            return f"note off {_key(first)}"
        case 0xA0:
            return f"pressure {_key(first)} = {second}"
        case 0xB0:
            return f"control {first}{_control(first)} = {second}"
        case 0xC0:
            return f"program {first + 1}"
        case 0xD0:
            return f"pressure = {first}"
    return f"bend {(second << 7 | first) - 8192:+d}"


def control_words(number: int) -> str:
    """Return a controller's number and its name, if it has one."""
    return f"{number}{_control(number)}"


def system_name(status: int) -> str:
    """Return the name of a system message."""
    return SYSTEM[status][0].lower() if status in SYSTEM else f"undefined {status:02X}"


def _key(key: int) -> str:
    return f"{key_name(key)} ({key})"


def _control(number: int) -> str:
    entry = CONTROLS.get(number) or MODES.get(number)
    if entry is None:
        return ""
    return f" ({entry.function.lower()}{', LSB' if 32 <= number < 64 else ''})"


def _system(message: Sequence[int]) -> str:
    if message[0] != 0xF0:
        values = " ".join(str(value) for value in message[1:])
        return f"{system_name(message[0])} {values}".rstrip()
    shown = " ".join(f"{value:02X}" for value in message[:_MOST_BYTES])
    more = " ..." if len(message) > _MOST_BYTES else ""
    return f"system exclusive, {len(message)} bytes: {shown}{more}"
