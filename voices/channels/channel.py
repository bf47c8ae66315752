"""A channel: what the controls of one MIDI channel of one controller are set to.

Units: controller values 0 to 127, cents. What a sound controller or a bound control sets is kept in
the unit of its target.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 10-17; GM2 v1.2a for the values at power-up.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from config.bindings import Binding, Source
from config.shaped_sound import KEEPABLE
from config.targets import TARGETS
from voices.channels.knob import Knob, meaning, moved
from voices.channels.shaping import Shaping
from voices.channels.tunings import Tuning
from voices.curves import controller_gain

CHANNELS = 16
"""Of a controller."""
NULL = 127
"""MSB and LSB of a parameter number at this value: none is chosen."""
CENTRE = 8192
"""The value of a pitch bend at rest."""
ROOM_AT_POWER_UP = 40
"""GM2 v1.2a, section 3.3.11."""
_AT_POWER_UP = {
    **{7: 100, 8: 64, 10: 64, 11: 127, 91: ROOM_AT_POWER_UP},
    **dict.fromkeys(range(70, 80), 64),
    **dict.fromkeys(range(98, 102), NULL),
}
# RP-015: what Reset All Controllers puts back, and to what. Volume, balance, pan, bank, the sound
# controllers, the sends and the values of parameters stay; GM2 adds the portamento time. The other
# controllers go to 0 by its last line (from memory).
_AT_RESET = {
    **dict.fromkeys((1, 2, 4, 33, 34, 36, *range(64, 70), 84, 88), 0),
    **{11: 127, 43: 0},
    **dict.fromkeys(range(98, 102), NULL),
}
SOUND_CONTROLS = {
    number: Binding(control=number, target=target)
    for number, target in (
        (70, "even"),
        (71, "overtones"),
        (72, "release"),
        (73, "attack"),
        (74, "tilt"),
        (75, "decay"),
    )
}
"""What of a sound the sound controllers change where they are not bound."""
_VALUES = [_AT_POWER_UP.get(number, 0) for number in range(128)]
_ROOM_SENDS = [controller_gain(value) / controller_gain(ROOM_AT_POWER_UP) for value in range(128)]
_PARAMETERS = ((2, 0), (64, 0), (64, 0), (0, 0), (0, 0), (0, 0), (0, 0))


@dataclass(slots=True)
class Pedals:
    """Which pedals are down."""

    hold: bool = False
    """Hold 1: keys that come up sound on."""
    sostenuto: bool = False
    """Keys that were down when it went down sound on."""
    soft: bool = False
    """Notes begin softer and duller."""
    legato: bool = False
    """A key struck before the last one is released takes over its note."""
    freeze: bool = False
    """Hold 2: keys that come up sound on at the level they have."""

    @property
    def holding(self) -> bool:
        """Whether any key that comes up sounds on."""
        return self.hold or self.freeze

    def lift(self) -> None:
        """Let every pedal come up."""
        self.hold = self.sostenuto = self.soft = self.legato = self.freeze = False


class Channel:
    """The state of one channel."""

    def __init__(self, controller: int, number: int) -> None:
        self.motion_row = -1
        """Its row in `Smoother`."""
        self.controller = controller
        self.number = number
        """0 to 15, as on the wire."""
        self.targets: list[float] = []
        """Where the controls want each column of `Smoother`."""
        self.stale = False
        """Whether they have been set since, with nobody to hear it."""
        self.rate_hz = 0.0
        """The rate they want for the vibrato."""
        self.manager: Channel | None = None
        """The manager of the zone that this channel is a member of; None: of none."""
        self.control_channel = self
        """The channel whose controls count: its own, or its zone's."""
        self.members: list[Channel] = []
        """The members of the zone that this channel manages."""
        self.base = self
        """The channel that hears for it: itself, but for a layer."""
        self.layers: list[Channel] = []
        """What the settings' zones have made of it so far."""
        self.tuning: Tuning
        self.covers = False
        """Whether a voice of it may have taken over other keys that are still down."""
        self.mono = False
        self.omni = False
        self.power_up()

    def power_up(self) -> None:
        """Return to the state of a freshly plugged controller; mode, zone and tuning aside."""
        self.values = _VALUES.copy()
        self.parameters = [list(pair) for pair in _PARAMETERS]
        """Most and least significant byte of the registered parameters 0 to 6."""
        self.depth_is_set = False
        """Whether a message has set the modulation depth; if not, the settings do."""
        self.sound = ""
        """The name of the sound chosen by program change; empty: the settings'."""
        self.octave = self.transposed = 0
        """How many octaves, and keys, gestures have it sound higher ..."""
        self.shift = 0
        """... and by how many keys its keys sound higher in all."""
        self.shape = Shaping()
        """What bound knobs and the sound controllers have set."""
        self.knobs: dict[Source, Knob] = {}
        """The bound knobs, by controller number or name."""
        self.anchors: dict[Source, float] = {}
        """Where knobs and sound controllers stood when the sound took over what they had made."""
        self.told: dict[Source, float] = {}
        """Where they stood when they were last told."""
        self.last_key: int | None = None
        """The key struck last, as it sounded, from which a portamento comes."""
        for layer in self.layers:
            layer.last_key = None
        self.own_pedals = Pedals()
        self._rest()

    def tell(self) -> None:
        """Take note of where knobs and sound controllers stand, for a sound that is to be kept."""
        knobs = {source: knob.position for source, knob in self.knobs.items()}
        standing: dict[Source, float] = {each: self.values[each] for each in SOUND_CONTROLS}
        self.told = standing | {each: at for each, at in knobs.items() if at is not None}

    def rest_kept(self, bindings: Iterable[Binding], *, as_told: bool) -> None:
        """Bring to rest what knobs and sound controllers have made of the sound: it has it now.

        ``as_told``: what they had made when they were told; else all that they have.
        """
        bindings = list(bindings)
        if not as_told:
            self.tell()
        for number in SOUND_CONTROLS.keys() - {each.control for each in bindings}:
            if self.told.get(number, 64) != 64 or number in self.anchors:
                self.anchors[number] = self.told.get(number, 64)
                self.stand(number)
        for each in bindings:
            knob = self.knobs.get(each.control)
            if each.target not in KEEPABLE or not each.stays or knob is None:
                continue
            if (start := self.told.get(each.control)) is not None and knob.position is not None:
                rest = TARGETS[each.target].rest or 0.0
                self.anchors[each.control] = start
                self.shape.put(each, moved(each, start, knob.position, rest))

    def rest_at(self, number: int) -> None:
        """Have a sound controller that is not bound be at rest where it stands."""
        self.anchors[number] = self.values[number]
        self.stand(number)

    def stand(self, number: int) -> float:
        """Have a sound controller that is not bound make of its target what it stands for.

        Return that. The even harmonics and the overtones are not kept in the shape.
        """
        binding, value = SOUND_CONTROLS[number], self.values[number]
        start = self.anchors.get(number)
        found = meaning(binding, value) if start is None else moved(binding, start, value, 0.0)
        if number > 71:
            self.shape.put(binding, found)
        return found

    def reset_controllers(self) -> None:
        """Do what Reset All Controllers asks for, and no more (RP-015)."""
        for number, value in _AT_RESET.items():
            self.values[number] = value
        self._rest()

    def _rest(self) -> None:
        self.bend = 0
        self.pressure = 0
        self.registered = True
        """Whether the parameter chosen last is a registered one."""
        self.own_pedals.lift()
        self.glide_from: int | None = None
        """The key that CC 84 named for the next note."""

    def join(self, manager: "Channel | None") -> None:
        """Become a member of a zone, or of none."""
        self.manager, self.control_channel = manager, manager or self

    @property
    def sound_name(self) -> str:
        """What it plays; empty: the settings' sound."""
        return self.control_channel.sound

    def sounding_key(self, key: int) -> int:
        """Return the key that sounds for one; beyond the last, the nearest octave there is."""
        key += self.shift
        while key > 127:
            key -= 12
        while key < 0:
            key += 12
        return key

    @property
    def pedals(self) -> Pedals:
        """The pedals that hold its notes."""
        return self.control_channel.own_pedals

    @property
    def room_send(self) -> float:
        """How much of a note that begins now is sent to the room (CC 91); 1 at power-up."""
        return _ROOM_SENDS[self.values[91]]

    @property
    def parameter(self) -> int | None:
        """The registered parameter that data entry sets: 0 to 6; None: none that is known."""
        if not self.registered or self.values[101] != 0:
            return None
        number = self.values[100]
        return number if number < len(self.parameters) else None

    @property
    def bend_range_cents(self) -> float:
        """How far a full bend goes."""
        semitones, cents = self.parameters[0]
        return semitones * 100.0 + cents

    @property
    def tuning_cents(self) -> float:
        """Fine and coarse tuning together (registered parameters 1 and 2)."""
        high, low = self.parameters[1]
        return ((high << 7 | low) - 8192) * 100.0 / 8192.0 + (self.parameters[2][0] - 64) * 100.0

    def depth_cents(self, default: float) -> float:
        """Return how far full modulation goes (registered parameter 5)."""
        semitones, parts = self.parameters[5]
        return semitones * 100.0 + parts * 100.0 / 128.0 if self.depth_is_set else default

    def set(self, number: int, value: int) -> None:
        """Store a control change; a coarse value sets its fine one to 0 (MIDI 1.0, p. 12)."""
        self.values[number] = value
        if number < 32:
            self.values[number + 32] = 0

    def value(self, number: int) -> float:
        """Return the value of a control that may have an LSB, 0 to 127.

        The LSB counts 128ths. So 7 bits alone reach both ends exactly (as 14 bits,
        16256 of 16383 would miss the upper one), and the last 127 steps are all full.
        """
        return min(127.0, self.values[number] + self.values[number + 32] / 128.0)
