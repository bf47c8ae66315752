"""Note modulation: rows of `Smoother` for notes that move apart from their channel.

Most notes move with their channel and cost nothing here. A voice becomes independent when its note
glides, is pressed on its own, is retuned while it sounds, or has outlived its zone: then it has a
row of its own, which goes to the targets of the channel it follows, changed by its own controls.

Units: cents, gains linear, dB per octave, frames.
"""

from collections.abc import Sequence

from voices.channels.channel import Channel
from voices.channels.note_controls import NoteControls
from voices.modulation.smoother import (
    CONTROL_PERIOD,
    LEFT,
    PITCH,
    RIGHT,
    TILT,
    VIBRATO_DEPTH,
    Smoother,
)
from voices.notes.voice import Voice

ROWS = 16
"""So many rows from the beginning; when all are in use, as many more are made."""


class NoteModulation:
    """The independent voices and their rows."""

    def __init__(self, smoother: Smoother) -> None:
        self._smoother = smoother
        self._free: list[int] = []
        self._independent: dict[Channel, list[Voice]] = {}
        self.gliding: list[Voice] = []
        self._make_rows()

    def _make_rows(self) -> None:
        columns = self._smoother.values.shape[1]
        first = self._smoother.add_rows([[0.0] * columns] * ROWS)
        self._free.extend(range(first, first + ROWS))

    def independent(self, channel: Channel) -> Sequence[Voice]:
        """Return the independent voices that follow a channel."""
        return self._independent.get(channel, ())

    def controls(self, voice: Voice) -> NoteControls:
        """Return a voice's own controls; from now on it is independent."""
        if voice.controls is None:
            if not self._free:
                self._make_rows()
            row = self._free.pop()
            self._smoother.copy_row(voice.channel.motion_row, row)
            voice.follow(row)
            voice.controls = NoteControls(voice.channel)
            self._independent.setdefault(voice.channel, []).append(voice)
        return voice.controls

    def free(self, voice: Voice) -> None:
        """Take back the row of a voice that is silent."""
        controls = voice.controls
        if controls is not None:
            self._independent[controls.control_channel].remove(voice)
            if voice in self.gliding:
                self.gliding.remove(voice)
            self._smoother.clear_row(voice.motion_row)
            self._free.append(voice.motion_row)
            voice.controls = None

    def refresh(self, voice: Voice, at: int) -> None:
        """Send an independent voice to where its channel's controls and its own are."""
        controls = voice.controls
        if controls is None:
            return
        targets = list(controls.control_channel.targets)
        targets[LEFT] *= controls.gain
        targets[RIGHT] *= controls.gain
        targets[VIBRATO_DEPTH] += controls.depth
        targets[TILT] += controls.tilt
        if controls.glide_rate:
            targets[PITCH] = controls.targets[PITCH]  # `glide` sees to it
        else:
            targets[PITCH] += controls.pitch
        known = controls.targets
        for column, target in enumerate(targets):
            if column >= len(known) or target != known[column]:
                due = max(at, controls.depth_from) if column == VIBRATO_DEPTH else at
                self._smoother.set_target(voice.motion_row, column, target, due)
        controls.targets = targets

    def forget_targets(self, channel: Channel, column: int) -> None:
        """Set the columns from one on again with the next refresh: they mean something else now."""
        for voice in self.independent(channel):
            if voice.controls is not None:
                del voice.controls.targets[column:]

    def glide_from(self, voice: Voice, cents: float, rate: float, at: int) -> None:
        """Bring a note's pitch from ``cents`` above its own to it, ``rate`` cents a frame."""
        controls = self.controls(voice)
        controls.glide_cents, controls.glide_rate = cents, rate
        controls.glide_from, controls.glide_due = at, -(-at // CONTROL_PERIOD) * CONTROL_PERIOD
        if voice not in self.gliding:
            self.gliding.append(voice)

    def glide(self, until: int) -> None:
        """Move every gliding note along, at the points of the grid before a frame."""
        for voice in list(self.gliding):
            controls = voice.controls
            if controls is None:
                continue
            while controls.glide_due < until and controls.glide_rate:
                cents = controls.pitch_at(controls.glide_due)
                target = controls.control_channel.targets[PITCH] + cents
                controls.targets[PITCH] = target
                self._smoother.set_target(voice.motion_row, PITCH, target, controls.glide_due)
                controls.glide_due += CONTROL_PERIOD
                if cents == controls.pitch:
                    controls.glide_rate = 0.0
                    self.gliding.remove(voice)

    def leave_zone(self, voice: Voice, manager: Channel, at: int) -> None:
        """Let a note that is released follow only its zone's manager from now on (MPE).

        What its own channel had added stays as it is.
        """
        controls = self.controls(voice)
        if controls.control_channel is manager:
            return
        old, new = controls.control_channel.targets, manager.targets
        controls.pitch += old[PITCH] - new[PITCH]
        controls.depth += old[VIBRATO_DEPTH] - new[VIBRATO_DEPTH]
        controls.tilt += old[TILT] - new[TILT]
        side = LEFT if new[LEFT] >= new[RIGHT] else RIGHT
        controls.gain *= old[side] / new[side] if new[side] else 1.0
        self._independent[controls.control_channel].remove(voice)
        controls.control_channel = manager
        self._independent.setdefault(manager, []).append(voice)
        self.refresh(voice, at)
