"""A note's own controls: what is added to those of the channel that it follows.

Units: cents, gains linear, dB per octave, frames.
"""

from voices.channels.channel import Channel


class NoteControls:
    """What one note adds, and where that takes its row of `Smoother`."""

    __slots__ = (
        *("control_channel", "depth", "depth_from", "gain", "glide_cents", "glide_due"),
        *("glide_from", "glide_rate", "pitch", "pressure", "targets", "tilt"),
    )

    def __init__(self, control_channel: Channel) -> None:
        self.control_channel = control_channel
        """The channel whose controls it follows."""
        self.pitch = 0.0
        """Of its key, above the key for which its voice began."""
        self.glide_cents = 0.0
        """How far from there its glide began, at frame ``glide_from`` ..."""
        self.glide_from = 0
        self.glide_rate = 0.0
        """... and how many cents of it go in a frame; 0: it does not glide."""
        self.glide_due = 0
        """The point of the grid at which its pitch gets its next target."""
        self.gain, self.depth, self.tilt = 1.0, 0.0, 0.0
        """Of its level, of vibrato, of the spectrum."""
        self.pressure = 0
        self.depth_from = 0
        """No vibrato before this frame."""
        self.targets = list(control_channel.targets)
        """Where each column of `Smoother` is to go."""

    def pitch_at(self, frame: int) -> float:
        """Return its pitch above the key for which its voice began, its glide included."""
        start = self.glide_cents if self.glide_rate else 0.0
        gone = self.glide_rate * max(0, frame - self.glide_from)
        return self.pitch + (max(0.0, start - gone) if start > 0 else min(0.0, start + gone))
