"""The controls of one channel, kept to bring a new player up to date.

Units: MIDI bytes. Threads: as `daemon.midi.channel_state` says, whose part it is.
"""

CONTROL_CHANGE, PROGRAM_CHANGE = 0xB0, 0xC0
CHANNEL_PRESSURE, PITCH_BEND = 0xD0, 0xE0
_BANK_SELECT = (0, 32)
_DATA_ENTRY = (6, 38)
_NRPN, _RPN = (98, 99), (100, 101)
_DATA_STEPS = (96, 97)
# What Reset All Controllers resets (RP-015); volume, pan, bank, program, the sound controllers
# and the values of registered parameters stay.
_RESET = (1, 33, 11, 43, 64, 65, 66, 67, 68, 69, *_NRPN, *_RPN)
_NULL_PARAMETER = (127, 127)
_PROGRAMS = 128
"""A channel's program changes that are remembered."""


class ChannelControls:
    """One channel's controls, parameters, program and keys."""

    def __init__(self) -> None:
        self.controls: dict[int, int] = {}
        self.parameters: dict[tuple[int, int], dict[int, int]] = {}
        self.programs: list[tuple[int | None, int | None, int]] = []
        self.pressure: int | None = None
        self.bend: tuple[int, int] | None = None
        self.keys: set[int] = set()

    def control_change(self, number: int, value: int) -> None:
        """Record a control change or channel mode message."""
        if number >= 120:
            self._channel_mode(number)
        elif number in _DATA_ENTRY:
            self._data_entry(number, value)
        elif number not in _DATA_STEPS:
            if number < 32:
                # A new MSB sets the LSB to 0 (MIDI 1.0, p. 12).
                self.controls.pop(number + 32, None)
            for selected, other in ((_NRPN, _RPN), (_RPN, _NRPN)):
                if number in selected:
                    for each in other:
                        self.controls.pop(each, None)
            # Removed first, so that the order is that of the latest changes.
            self.controls.pop(number, None)
            self.controls[number] = value

    def program_change(self, program: int) -> None:
        """Record a program change, as the latest of those that are remembered."""
        chosen = (self.controls.get(0), self.controls.get(32), program)
        earlier = [each for each in self.programs if each != chosen]
        self.programs = [*earlier[1 - _PROGRAMS :], chosen]

    def messages(self, channel: int) -> list[bytes]:
        """Return the messages that bring a fresh channel to this state."""
        status = CONTROL_CHANGE | channel
        sent: list[tuple[int, ...]] = []
        controls = dict(self.controls)
        # A program that has no sound changes nothing: then an earlier one still holds.
        for high, low, program in self.programs:
            sent += [
                (status, n, v)
                for n, v in zip(_BANK_SELECT, (high, low), strict=True)
                if v is not None
            ]
            sent.append((PROGRAM_CHANGE | channel, program))
        for (high, low), values in list(self.parameters.items()):
            sent += [(status, 101, high), (status, 100, low)]
            sent += [(status, number, values[number]) for number in _DATA_ENTRY if number in values]
        if self.parameters and not {100, 101} & controls.keys():
            sent += [(status, 101, _NULL_PARAMETER[0]), (status, 100, _NULL_PARAMETER[1])]
        sent += [(status, number, value) for number, value in controls.items()]
        if self.pressure is not None:
            sent.append((CHANNEL_PRESSURE | channel, self.pressure))
        if self.bend is not None:
            sent.append((PITCH_BEND | channel, *self.bend))
        return [bytes(message) for message in sent]

    def _channel_mode(self, number: int) -> None:
        if number == 121:
            for each in _RESET:
                self.controls.pop(each, None)
            self.pressure = self.bend = None
        elif number != 122:
            # All Sound Off, All Notes Off, and the four modes that imply it.
            self.keys.clear()

    def _data_entry(self, number: int, value: int) -> None:
        selected = (
            self.controls.get(101, _NULL_PARAMETER[0]),
            self.controls.get(100, _NULL_PARAMETER[1]),
        )
        if selected == _NULL_PARAMETER:
            # It sets no parameter; a binding may still use it.
            self.controls[number] = value
            return
        values = self.parameters.setdefault(selected, {})
        if number == _DATA_ENTRY[0]:
            values.clear()
        values[number] = value
