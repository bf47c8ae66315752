"""Shared controls: bound targets that all channels have together: the room, the tremulant, zones.

Units: dB, gains linear, depth 0 to 1, frames. Threads: the instrument's.
"""

from collections import deque
from math import cos, log10, pi

from config.bindings import Binding
from config.settings import Settings
from config.space import OFF_DB
from voices.channels.knob import moved
from voices.channels.shaping import Shaping
from voices.curves import db_to_gain
from voices.modulation.smoother import LEFT, Smoother
from voices.notes.zones import Zones

MOVES = 16
HALFWAY = 0.5
"""Where a blend is before its knob has moved."""
SILENT_DB = -160.0


def blend_db(away: float) -> float:
    """Return the level of a sound that is left by 0 to 1: of equal power with the other's."""
    return max(SILENT_DB, 20.0 * log10(max(cos(pi / 2 * away), 1e-12)))


class SharedControls:
    """What knobs have set of the whole instrument.

    Parameters
    ----------
    smoother
        Gives the level of the room a row.
    zones
        Whose levels may be bound.
    """

    def __init__(self, smoother: Smoother, zones: Zones) -> None:
        self.shape = Shaping()
        self.tremulant_moves: deque[tuple[int, float, bool]] = deque(maxlen=MOVES)
        """Frame, depth and whether it turns fast, for the tremulant of the whole mix."""
        self.room_row = smoother.add_rows([[1.0, *[0.0] * (smoother.values.shape[1] - 1)]])
        """The row whose first column is what is sent to the room, beside the settings' level."""
        self._smoother, self._zones = smoother, zones
        self._room_gain = 1.0
        self._depth_set: float | None = None
        self.depth = 0.0
        """How deep the tremulant is, or will be."""

    @property
    def room_is_turned(self) -> bool:
        """Whether a knob has ever moved the room's level."""
        return self.shape.room is not None

    def apply(self, settings: Settings, at: int) -> None:
        """Keep the room where a knob has put it, whatever the settings' level is now."""
        if settings.tremulant.depth != self._depth_set:
            self._depth_set = self.depth = settings.tremulant.depth
        self._set_room(settings, at)
        self._blends = any(binding.target == "blend" for binding in settings.bindings)
        self._blend(at)

    def power_up(self, settings: Settings, at: int) -> None:
        """Put back what knobs have moved."""
        for number in self.shape.zone:
            self._zones.set_level(number - 1, 0.0, at)
        if self.shape.tremulant is not None:
            self.move_tremulant(settings.tremulant.depth, at)
        moved_room, self.shape = self.room_is_turned, Shaping()
        self._blend(at)
        if moved_room:
            self.shape.room = settings.room.level_db
            self._set_room(settings, at)

    def move_tremulant(self, depth: float, at: int) -> None:
        """Turn the tremulant on, deeper, or off."""
        self.depth = depth
        self.tremulant_moves.append((at, depth, depth >= 0.5))

    def turn(
        self, binding: Binding, before: float | None, position: float, rest: float, at: int
    ) -> None:
        """Move a target from where it is; ``rest``: where the settings have it."""
        value = moved(binding, before, position, self.shape.value(binding, rest))
        self.shape.put(binding, value)
        match binding.target:
            case "tremulant":
                self.move_tremulant(value, at)
            case "zone":
                self._zones.set_level(binding.zone - 1, value, at)
            case "blend":
                self._blend(at)
            case "room":
                self._set_room(self._settings, at)

    def _blend(self, at: int) -> None:
        """Bring the first two zones to where they are between one and the other."""
        place = HALFWAY if self.shape.blend is None else self.shape.blend
        for zone, share in enumerate((place, 1.0 - place)):
            self._zones.fade(zone, blend_db(share) if self._blends else 0.0, at)

    def _set_room(self, settings: Settings, at: int) -> None:
        self._settings = settings
        wanted, level_db = self.shape.room, settings.room.level_db
        gain = 1.0
        if wanted is not None and level_db > OFF_DB:
            gain = db_to_gain(wanted - level_db) if wanted > OFF_DB else 0.0
        if gain != self._room_gain:
            self._room_gain = gain
            self._smoother.set_target(self.room_row, LEFT, gain, at)
