"""The system exclusive messages: those that the standards define for every instrument.

Messages of manufacturers are ignored. A message counts if it is for device 7F, all of them, or for
the device number of the settings. Replies wait in `Receiver.replies`.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 35-57; MIDI Tuning Messages (1999); CA-025; GM
level 1 and 2.
"""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from voices.channels.master import ALL, OWN
from voices.channels.tunings import Tuning
from voices.receiver import mts

if TYPE_CHECKING:
    from voices.receiver.receiver import Receiver

NON_REAL_TIME, REAL_TIME = 0x7E, 0x7F
EVERYBODY = 0x7F
NON_COMMERCIAL = 0x7D
IDENTITY = bytes((NON_COMMERCIAL, 1, 0, 1, 0, 0, 1, 0, 0))
"""Manufacturer, family and member (low half first), and four bytes of the software's version."""


class SysexMessage(NamedTuple):
    """One message, taken apart."""

    receiver: "Receiver"
    controller: int
    device: int
    real_time: bool
    data: Sequence[int]
    """What follows the bytes that name the message, without F7."""
    at: int


class Exclusive(NamedTuple):
    """One row of the table; the words are for the implementation chart."""

    act: Callable[[SysexMessage], None]
    least: int
    """How many bytes of data there have to be."""
    function: str
    remarks: str = ""


def take(receiver: "Receiver", controller: int, message: Sequence[int], at: int) -> None:
    """Take a system exclusive message, from F0 to F7."""
    if len(message) < 6 or message[-1] != 0xF7 or max(message[1:-1]) > 127:
        return
    device = message[2]
    if device not in (EVERYBODY, receiver.settings.controller.device_number):
        return
    found = EXCLUSIVE.get((message[1], message[3], message[4]))
    data = message[5:-1]
    if found is not None and len(data) >= found.least:
        real_time = message[1] == REAL_TIME
        found.act(SysexMessage(receiver, controller, device, real_time, data, at))


def _identity(asked: SysexMessage) -> None:
    own = asked.receiver.settings.controller.device_number
    asked.receiver.reply(asked.controller, bytes((NON_REAL_TIME, own, 6, 2)) + IDENTITY)


def _general_midi(asked: SysexMessage) -> None:
    asked.receiver.power_up(asked.at)


def _volume(asked: SysexMessage) -> None:
    _master(asked, asked.receiver.master.volume)


def _balance(asked: SysexMessage) -> None:
    _master(asked, asked.receiver.master.balance)


def _master(asked: SysexMessage, both: list[int]) -> None:
    both[ALL if asked.device == EVERYBODY else OWN] = asked.data[1] << 7 | asked.data[0]
    _settle(asked)


def _settle(asked: SysexMessage) -> None:
    asked.receiver.master.settle()
    asked.receiver.aim_all(asked.at)


def _fine(asked: SysexMessage) -> None:
    asked.receiver.master.fine = asked.data[1] << 7 | asked.data[0]
    _settle(asked)


def _coarse(asked: SysexMessage) -> None:
    asked.receiver.master.coarse = asked.data[1]
    _settle(asked)


# --- tuning ------------------------------------------------------------------------------------


def _change(asked: SysexMessage, bank: int, data: Sequence[int]) -> None:
    """Tune single keys of a program: which, how many, and four bytes each."""
    program, count = data[0], data[1]
    changes = list(mts.single_changes(data[2 : 2 + 4 * count]))
    _retune(asked, bank, program, changes)


def _single(asked: SysexMessage) -> None:
    _change(asked, 0, asked.data)


def _single_of_bank(asked: SysexMessage) -> None:
    _change(asked, asked.data[0], asked.data[1:])


def _dump(asked: SysexMessage) -> None:
    """Take a dump; its sum is not looked at, since the first edition left open how to make it."""
    if len(asked.data) >= 1 + mts.NAME_BYTES + 3 * 128:
        _take_dump(asked, 0, asked.data[0], asked.data[1:])


def _dump_of_bank(asked: SysexMessage) -> None:
    data = asked.data
    if len(data) >= 2 + mts.NAME_BYTES + 3 * 128 + 1 and _sum_is_right(asked, 4):
        _take_dump(asked, data[0], data[1], data[2:])


def _take_dump(asked: SysexMessage, bank: int, program: int, data: Sequence[int]) -> None:
    tuning = _retune(asked, bank, program, list(mts.dump_changes(data[mts.NAME_BYTES :])))
    if tuning is not None:
        tuning.name = bytes(data[: mts.NAME_BYTES]).decode("ascii", "replace").rstrip()


def _octave_dump(asked: SysexMessage, kind: int, width: int) -> None:
    """Take a tuning program that is the same in every octave."""
    data = asked.data
    if not _sum_is_right(asked, kind):
        return
    scale = asked.receiver.tunings.octave(mts.octave_cents(data[2 + mts.NAME_BYTES :], width))
    _take_program(asked, data[0], data[1], data[2:], scale)


def _take_program(
    asked: SysexMessage, bank: int, program: int, name: Sequence[int], scale: Tuning
) -> None:
    tuning = _retune(asked, bank, program, list(enumerate(scale.pitches)))
    if tuning is not None:
        tuning.name = bytes(name[: mts.NAME_BYTES]).decode("ascii", "replace").rstrip()


def _sum_is_right(asked: SysexMessage, kind: int) -> bool:
    """Return whether the sum at the end of a dump of the second edition holds."""
    body = (NON_REAL_TIME, asked.device, 8, kind, *asked.data[:-1])
    return mts.checksum(body) == asked.data[-1]


def _retune(
    asked: SysexMessage, bank: int, program: int, changes: list[mts.Change]
) -> Tuning | None:
    """Change a tuning program; in real time sounding notes of its channels follow."""
    tunings = asked.receiver.tunings
    before = tunings.find(bank, program)
    tuning = tunings.changeable(bank, program)
    if tuning is None:
        return None
    for key, pitch in changes:
        tuning.put(key, pitch)
    asked.receiver.retuned(before, tuning, asked.at, sounding=asked.real_time)
    return tuning


def _scale(asked: SysexMessage, width: int) -> None:
    """Tune some channels by the octave."""
    cents = mts.octave_cents(asked.data[3:], width)
    tuning = asked.receiver.tunings.octave(cents)
    numbers = mts.channels_of(*asked.data[:3])
    asked.receiver.tune(numbers, asked.controller, tuning, asked.at, sounding=asked.real_time)


def _request(asked: SysexMessage) -> None:
    program = asked.data[0]
    tuning = asked.receiver.tunings.find(0, program)
    if tuning is not None:
        _send_dump(asked, bytes((8, 1, program)), tuning)


def _request_of_bank(asked: SysexMessage) -> None:
    bank, program = asked.data[:2]
    tuning = asked.receiver.tunings.find(bank, program)
    if tuning is not None:
        _send_dump(asked, bytes((8, 4, bank, program)), tuning)


def _send_dump(asked: SysexMessage, head: bytes, tuning: Tuning) -> None:
    own = asked.receiver.settings.controller.device_number
    body = bytes((NON_REAL_TIME, own)) + head + mts.name_bytes(tuning.name)
    body += b"".join(mts.word_of(pitch) for pitch in tuning.pitches)
    asked.receiver.reply(asked.controller, body + bytes((mts.checksum(body),)))


_ANY, _NOW = NON_REAL_TIME, REAL_TIME
_OCTAVE_1 = Exclusive(lambda asked: _scale(asked, 1), 15, "Scale/octave tuning, 1 byte")
_OCTAVE_2 = Exclusive(lambda asked: _scale(asked, 2), 27, "Scale/octave tuning, 2 bytes")
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
    (_ANY, 8, 1): Exclusive(_dump, 1, "Bulk tuning dump", "the sum is not checked"),
    (_NOW, 8, 2): Exclusive(_single, 2, "Single note tuning change", "sounding notes follow"),
    (_ANY, 8, 3): Exclusive(_request_of_bank, 2, "Bulk tuning dump request, bank", "answered"),
    (_ANY, 8, 4): Exclusive(_dump_of_bank, 2, "Key-based tuning dump, bank"),
    (_ANY, 8, 5): Exclusive(
        lambda asked: _octave_dump(asked, 5, 1), 2 + 16 + 12 + 1, "Scale/octave dump, 1 byte"
    ),
    (_ANY, 8, 6): Exclusive(
        lambda asked: _octave_dump(asked, 6, 2), 2 + 16 + 24 + 1, "Scale/octave dump, 2 bytes"
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
