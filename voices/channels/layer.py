"""A layer: what one zone makes of a channel, with a row of its own in `Smoother`.

It is a channel that nothing is sent to: every control of it is that of the channel it belongs to,
and the zone adds its level, its place, its octave and its sound. So a key that is in several
zones has a note in each of them, and none of these knows of the others.

Units: dB, gains linear; pan -1 to 1.
"""

from collections.abc import Sequence

from config.zones import Zone
from voices.channels.channel import CHANNELS, Channel
from voices.channels.control_targets import SWELL_COLUMN, swell_db
from voices.curves import db_to_gain
from voices.modulation.smoother import LEFT, RIGHT
from voices.timbres.timbre import sides_of


class Layer(Channel):
    """A channel as one zone plays it.

    Parameters
    ----------
    base
        The channel.
    place
        Which zone it is, counted from 0.
    zone
        What the settings say about it.
    """

    def __init__(self, base: Channel, place: int, zone: Zone) -> None:
        # A number that no channel has, so that its notes have addresses of their own.
        super().__init__(base.controller, base.number + CHANNELS * (place + 1))
        self.base = base
        self.place = place
        self.zone = zone
        self.level_db = 0.0
        """What a knob adds to the zone's level."""
        self.meet()

    @property
    def sound_name(self) -> str:
        """What it plays; empty: the settings' sound."""
        return self.zone.sound or self.control_channel.sound

    def meet(self) -> None:
        """Take what its channel has now, as every note does that begins in it."""
        base = self.base
        self.control_channel = base.control_channel
        self.mono, self.tuning = base.mono, base.tuning
        self.glide_from = base.glide_from
        self.shift = base.shift + 12 * self.zone.octave

    def targets_from(self, targets: Sequence[float], *, mono: bool, swells: bool) -> list[float]:
        """Return where each column of `Smoother` is to go when its channel's go to these."""
        own = list(targets)
        gain = db_to_gain(self.zone.level_db + self.level_db)
        left, right = (1.0, 1.0) if mono else sides_of(self.zone.pan)
        own[LEFT] *= gain * left
        own[RIGHT] *= gain * right
        own[SWELL_COLUMN] = swell_db(self.control_channel) if swells else 0.0
        return own
