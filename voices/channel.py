"""A channel: what the controls of one MIDI channel of one controller are set to.

Units: controller values 0 to 127, cents, dB, octaves of time. Values of bound controls are kept
in the unit of their target.
"""

from collections.abc import Sequence

from config.settings import Binding, Settings
from voices.laws import controller_gain, decibels, pan_gains, travel

NULL = 127
"""Both halves of a registered parameter number at this value: none is chosen."""
BEND_RANGE_CENTS = 200.0


class Channel:
    """The state of one channel; `control` takes every control change but the mode messages."""

    def __init__(self, controller: int, number: int) -> None:
        self.index = -1
        """Its place in `Motion`."""
        self.controller = controller
        self.number = number
        """0 to 15, as on the wire."""
        self.goals: list[float] = []
        self.power_up()

    def power_up(self) -> None:
        """Return to the state of a freshly plugged controller."""
        self.sound = ""
        """The name of the sound chosen by program change; empty: the settings'."""
        self.volume = 100
        self.pan = 64
        self.bend_range_cents = BEND_RANGE_CENTS
        self.bound_volume_db = 0.0
        self.tilt_db = 0.0
        self.attack_octaves = 0.0
        self.release_octaves = 0.0
        self.partial_db: dict[int, float] = {}
        self.reset_controllers()

    def reset_controllers(self) -> None:
        """Do what Reset All Controllers asks for, and no more.

        Source: RP-015; volume, pan, program and the values of registered parameters stay.
        """
        self.expression = 127
        self.modulation = 0
        self.bend = 0
        self.sustain = False
        self.parameter = [NULL, NULL]

    def control(self, number: int, value: int, bindings: Sequence[Binding]) -> None:
        """Take a control change; a binding goes before the control's own meaning."""
        bound = [binding for binding in bindings if binding.control == number]
        for binding in bound:
            self._follow(binding, value)
        if not bound:
            match number:
                case 1:
                    self.modulation = value
                case 7:
                    self.volume = value
                case 10:
                    self.pan = value
                case 11:
                    self.expression = value
                case 64:
                    self.sustain = value >= 64
                case 100 | 101:
                    self.parameter[101 - number] = value
                case 98 | 99:  # a non-registered number: none that is known here
                    self.parameter = [NULL, NULL]
                case 6 if self.parameter == [0, 0]:
                    self.bend_range_cents = value * 100.0 + self.bend_range_cents % 100.0
                case 38 if self.parameter == [0, 0]:
                    self.bend_range_cents += value - self.bend_range_cents % 100.0

    def _follow(self, binding: Binding, value: int) -> None:
        """Move what a bound control moves."""
        meaning = travel(value, *binding.ends)
        match binding.target:
            case "volume":
                self.bound_volume_db = meaning
            case "tilt":
                self.tilt_db = meaning
            case "attack":
                self.attack_octaves = meaning
            case "release":
                self.release_octaves = meaning
            case "partial":
                self.partial_db[binding.partial] = meaning

    def aims(self, settings: Settings, bound: Sequence[int], mono: bool) -> list[float]:
        """Return where the controls want each column of `Motion`."""
        gain = controller_gain(self.volume) * controller_gain(self.expression)
        gain *= decibels(settings.level.volume_db + self.bound_volume_db)
        left, right = pan_gains(64 if mono else self.pan)
        return [
            gain * left,
            gain * right,
            self.bend / 8192 * self.bend_range_cents,
            self.modulation / 127 * settings.vibrato.depth_cents,
            self.tilt_db,
            *(self.partial_db.get(partial, 0.0) for partial in bound),
        ]
