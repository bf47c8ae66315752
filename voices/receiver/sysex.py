"""The system exclusive messages: those that the standards define for every instrument.

Messages of manufacturers are ignored. A message counts if it is for device 7F, all of them, or for
the device number of the settings. Replies wait in `Part.replies`.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 35-57; MIDI Tuning Messages (1999); CA-025; GM
level 1 and 2.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from voices.channels.master import ALL, OWN
from voices.channels.tunings import Tuning
from voices.receiver import mts
from voices.receiver.part import Part

NON_REAL_TIME, REAL_TIME = 0x7E, 0x7F
EVERYBODY = 0x7F
NON_COMMERCIAL = 0x7D
IDENTITY = bytes((NON_COMMERCIAL, 1, 0, 1, 0, 0, 1, 0, 0))
"""Manufacturer, family and member (LSB first), and four bytes of the software's version."""


class SysexMessage(NamedTuple):
    """One message, taken apart."""

    part: Part
    controller: int
    device: int
    real_time: bool
    data: Sequence[int]
    """What follows the bytes that name the message, without F7."""
    at: int


class Exclusive(NamedTuple):
    """One row of the table; the words are for the implementation chart."""

    handler: Callable[[SysexMessage], None]
    least: int
    """How many bytes of data there must be."""
    function: str
    remarks: str = ""


def dispatch(part: Part, controller: int, message: Sequence[int], at: int) -> None:
    """Have a system exclusive message handled, from F0 to F7."""
    if len(message) < 6 or message[-1] != 0xF7 or max(message[1:-1]) > 127:
        return
    device = message[2]
    if device not in (EVERYBODY, part.settings.controller.device_number):
        return
    found = EXCLUSIVE.get((message[1], message[3], message[4]))
    data = message[5:-1]
    if found is not None and len(data) >= found.least:
        real_time = message[1] == REAL_TIME
        found.handler(SysexMessage(part, controller, device, real_time, data, at))


def _identity(message: SysexMessage) -> None:
    device = message.part.settings.controller.device_number
    message.part.reply(message.controller, bytes((NON_REAL_TIME, device, 6, 2)) + IDENTITY)


def _general_midi(message: SysexMessage) -> None:
    message.part.power_up(message.at)


def _volume(message: SysexMessage) -> None:
    _master(message, message.part.master.volume)


def _balance(message: SysexMessage) -> None:
    _master(message, message.part.master.balance)


def _master(message: SysexMessage, both: list[int]) -> None:
    both[ALL if message.device == EVERYBODY else OWN] = message.data[1] << 7 | message.data[0]
    _update(message)


def _update(message: SysexMessage) -> None:
    message.part.master.update()
    message.part.set_all_targets(message.at)


def _fine(message: SysexMessage) -> None:
    message.part.master.fine = message.data[1] << 7 | message.data[0]
    _update(message)


def _coarse(message: SysexMessage) -> None:
    message.part.master.coarse = message.data[1]
    _update(message)


# --- tuning ------------------------------------------------------------------------------------


def _change(message: SysexMessage, bank: int, data: Sequence[int]) -> None:
    """Tune single keys of a program: which, how many, and four bytes each."""
    program, count = data[0], data[1]
    changes = list(mts.single_changes(data[2 : 2 + 4 * count]))
    _retune(message, bank, program, changes)


def _single(message: SysexMessage) -> None:
    _change(message, 0, message.data)


def _single_of_bank(message: SysexMessage) -> None:
    _change(message, message.data[0], message.data[1:])


def _dump(message: SysexMessage) -> None:
    """Take a dump; its checksum is ignored: the first edition left open how to make it."""
    data = message.data
    if len(data) >= 1 + mts.NAME_BYTES + 3 * 128:
        changes = list(mts.dump_changes(data[1 + mts.NAME_BYTES :]))
        _set_program(message, 0, data[0], data[1:], changes)


def _dump_of_bank(message: SysexMessage) -> None:
    data = message.data
    if len(data) >= 2 + mts.NAME_BYTES + 3 * 128 + 1 and _checksum_is_right(message, 4):
        changes = list(mts.dump_changes(data[2 + mts.NAME_BYTES :]))
        _set_program(message, data[0], data[1], data[2:], changes)


def _octave_dump(message: SysexMessage, kind: int, width: int) -> None:
    """Take a tuning program that is the same in every octave."""
    data = message.data
    if _checksum_is_right(message, kind):
        scale = message.part.tunings.octave(mts.octave_cents(data[2 + mts.NAME_BYTES :], width))
        _set_program(message, data[0], data[1], data[2:], list(enumerate(scale.pitches)))


def _set_program(
    message: SysexMessage, bank: int, program: int, name: Sequence[int], changes: list[mts.Change]
) -> None:
    tuning = _retune(message, bank, program, changes)
    if tuning is not None:
        tuning.name = bytes(name[: mts.NAME_BYTES]).decode("ascii", "replace").rstrip()


def _checksum_is_right(message: SysexMessage, kind: int) -> bool:
    """Return whether the checksum of a dump of the second edition is right."""
    body = (NON_REAL_TIME, message.device, 8, kind, *message.data[:-1])
    return mts.checksum(body) == message.data[-1]


def _retune(
    message: SysexMessage, bank: int, program: int, changes: list[mts.Change]
) -> Tuning | None:
    """Change a tuning program; in real time sounding notes of its channels follow."""
    tunings = message.part.tunings
    before = tunings.find(bank, program)
    tuning = tunings.changeable(bank, program)
    if tuning is None:
        return None
    for key, pitch in changes:
        tuning.put(key, pitch)
    message.part.tuning_changed(before, tuning, message.at, sounding=message.real_time)
    return tuning


def _scale(message: SysexMessage, width: int) -> None:
    """Tune some channels by the octave."""
    cents = mts.octave_cents(message.data[3:], width)
    tuning = message.part.tunings.octave(cents)
    numbers = mts.channels_of(*message.data[:3])
    message.part.tune(numbers, message.controller, tuning, message.at, sounding=message.real_time)


def _request(message: SysexMessage) -> None:
    program = message.data[0]
    tuning = message.part.tunings.find(0, program)
    if tuning is not None:
        _send_dump(message, bytes((8, 1, program)), tuning)


def _request_of_bank(message: SysexMessage) -> None:
    bank, program = message.data[:2]
    tuning = message.part.tunings.find(bank, program)
    if tuning is not None:
        _send_dump(message, bytes((8, 4, bank, program)), tuning)


def _send_dump(message: SysexMessage, head: bytes, tuning: Tuning) -> None:
    device = message.part.settings.controller.device_number
    body = bytes((NON_REAL_TIME, device)) + head + mts.name_bytes(tuning.name)
    body += b"".join(mts.word_of(pitch) for pitch in tuning.pitches)
    message.part.reply(message.controller, body + bytes((mts.checksum(body),)))


_ANY, _NOW = NON_REAL_TIME, REAL_TIME
_OCTAVE_1 = Exclusive(lambda message: _scale(message, 1), 15, "Scale/octave tuning, 1 byte")
_OCTAVE_2 = Exclusive(lambda message: _scale(message, 2), 27, "Scale/octave tuning, 2 bytes")
EXCLUSIVE: dict[tuple[int, int, int], Exclusive] = {
    (_ANY, 6, 1): Exclusive(_identity, 0, "Identity request", "answered; manufacturer 7D"),
    (_ANY, 9, 1): Exclusive(_general_midi, 0, "General MIDI 1 on", "as at power-on"),
    (_ANY, 9, 2): Exclusive(_general_midi, 0, "General MIDI off", "as at power-on"),
    (_ANY, 9, 3): Exclusive(_general_midi, 0, "General MIDI 2 on", "as at power-on"),
    (_NOW, 4, 1): Exclusive(_volume, 2, "Master volume", "40 log(v/127) dB"),
    (_NOW, 4, 2): Exclusive(_balance, 2, "Master balance"),
    (_NOW, 4, 3): Exclusive(_fine, 2, "Master fine tuning"),
    (_NOW, 4, 4): Exclusive(_coarse, 2, "Master coarse tuning"),
    (_ANY, 8, 0): Exclusive(_request, 1, "Bulk tuning dump request", "answered"),
    (_ANY, 8, 1): Exclusive(_dump, 1, "Bulk tuning dump", "checksum ignored"),
    (_NOW, 8, 2): Exclusive(_single, 2, "Single note tuning change", "sounding notes follow"),
    (_ANY, 8, 3): Exclusive(_request_of_bank, 2, "Bulk tuning dump request, bank", "answered"),
    (_ANY, 8, 4): Exclusive(_dump_of_bank, 2, "Key-based tuning dump, bank"),
    (_ANY, 8, 5): Exclusive(
        lambda message: _octave_dump(message, 5, 1), 2 + 16 + 12 + 1, "Scale/octave dump, 1 byte"
    ),
    (_ANY, 8, 6): Exclusive(
        lambda message: _octave_dump(message, 6, 2), 2 + 16 + 24 + 1, "Scale/octave dump, 2 bytes"
    ),
    (_NOW, 8, 7): Exclusive(
        _single_of_bank, 3, "Single note tuning change, bank", "sounding notes follow"
    ),
    (_ANY, 8, 7): Exclusive(_single_of_bank, 3, "Single note tuning change, bank"),
    (_NOW, 8, 8): _OCTAVE_1._replace(remarks="sounding notes follow"),
    (_ANY, 8, 8): _OCTAVE_1,
    (_NOW, 8, 9): _OCTAVE_2._replace(remarks="sounding notes follow"),
    (_ANY, 8, 9): _OCTAVE_2,
}
"""By the byte of time (7E, 7F) and the two that name a message."""
