"""Lanes: a row of `Smoother` for a note that moves by itself.

Most notes move with their channel and cost nothing here. One that glides, is pressed on its own, is
retuned while it sounds or has outlived its channel's zone gets a lane: where its channel's controls
are, and what is its own on top.

Units: cents, gains linear, dB per octave, frames.
"""

from voices.channels.channel import Channel
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

AT_FIRST = 16
"""So many lanes from the beginning; when all are in use, as many more are made."""


class NoteControls:
    """What is a note's own, on top of its leader's controls."""

    __slots__ = (
        *("base", "due", "gain", "goals", "leader", "left", "pace", "pressure"),
        *("since", "swing", "swing_from", "tilt"),
    )

    def __init__(self, leader: Channel) -> None:
        self.leader = leader
        """The channel whose controls it follows."""
        self.base = 0.0
        """Its key's pitch over the one its voice was struck for, in cents."""
        self.left = 0.0
        """How far its glide began from there, in cents, at frame ``since`` ..."""
        self.since = 0
        self.pace = 0.0
        """... and how much of it goes in a frame; 0: it does not glide."""
        self.due = 0
        """The point of the grid at which it moves next."""
        self.gain, self.swing, self.tilt = 1.0, 0.0, 0.0
        self.pressure = 0
        self.swing_from = 0
        """No vibrato before this frame."""
        self.goals: list[float] = []

    def cents_at(self, frame: int) -> float:
        """Return its own pitch at a frame."""
        left = self.left if self.pace else 0.0
        gone = self.pace * max(0, frame - self.since)
        return self.base + (max(0.0, left - gone) if left > 0 else min(0.0, left + gone))


class NoteModulation:
    """The lanes, those in use and those free."""

    def __init__(self, motion: Smoother) -> None:
        self._motion = motion
        self._free: list[int] = []
        self.gliding: list[Voice] = []
        self._make(AT_FIRST)

    def _make(self, count: int) -> None:
        columns = self._motion.values.shape[1]
        first = self._motion.add_rows([[0.0] * columns] * count)
        self._free.extend(range(first, first + count))

    def give(self, voice: Voice) -> NoteControls:
        """Return what is a note's own; from now on it has a lane."""
        if voice.own is None:
            if not self._free:
                self._make(AT_FIRST)
            lane = self._free.pop()
            self._motion.copy_row(voice.channel.index, lane)
            voice.lane = lane
            if voice.index >= 0:
                voice.bank.rows.channel[voice.index] = lane
            voice.own = NoteControls(voice.channel)
            voice.own.goals = list(voice.channel.goals)
            voice.channel.soloists.append(voice)
        return voice.own

    def free(self, voice: Voice) -> None:
        """Take back the lane of a note that is silent."""
        own = voice.own
        if own is not None:
            own.leader.soloists.remove(voice)
            if voice in self.gliding:
                self.gliding.remove(voice)
            self._motion.clear_row(voice.lane)
            self._free.append(voice.lane)
            voice.own = None

    def aim(self, voice: Voice, at: int) -> None:
        """Send a lane to where its leader's controls and its own are."""
        own = voice.own
        if own is None:
            return
        goals = list(own.leader.goals)
        goals[LEFT] *= own.gain
        goals[RIGHT] *= own.gain
        goals[VIBRATO_DEPTH] += own.swing
        goals[TILT] += own.tilt
        if own.pace:
            goals[PITCH] = own.goals[PITCH]  # `glide` sees to it
        else:
            goals[PITCH] += own.base
        for column, goal in enumerate(goals):
            if column >= len(own.goals) or goal != own.goals[column]:
                due = max(at, own.swing_from) if column == VIBRATO_DEPTH else at
                self._motion.set_target(voice.lane, column, goal, due)
        own.goals = goals

    def glide_from(self, voice: Voice, left: float, pace: float, at: int) -> None:
        """Let a note's pitch come from ``left`` cents above its own, by ``pace`` cents a frame."""
        own = self.give(voice)
        own.left, own.since, own.pace, own.due = (
            left,
            at,
            pace,
            -(-at // CONTROL_PERIOD) * CONTROL_PERIOD,
        )
        if voice not in self.gliding:
            self.gliding.append(voice)

    def glide(self, until: int) -> None:
        """Move every gliding note along, at the points of the grid before a frame."""
        for voice in list(self.gliding):
            own = voice.own
            if own is None:
                continue
            while own.due < until and own.pace:
                cents = own.cents_at(own.due)
                goal = own.goals[PITCH] = own.leader.goals[PITCH] + cents
                self._motion.set_target(voice.lane, PITCH, goal, own.due)
                own.due += CONTROL_PERIOD
                if cents == own.base:
                    own.pace = 0.0
                    self.gliding.remove(voice)

    def leave(self, voice: Voice, manager: Channel, at: int) -> None:
        """Let a note that is let go follow only its zone's manager from now on (MPE).

        What its own channel had added stays as it is.
        """
        own = self.give(voice)
        if own.leader is manager:
            return
        old, new = own.leader.goals, manager.goals
        own.base += old[PITCH] - new[PITCH]
        own.swing += old[VIBRATO_DEPTH] - new[VIBRATO_DEPTH]
        own.tilt += old[TILT] - new[TILT]
        side = LEFT if new[LEFT] >= new[RIGHT] else RIGHT
        own.gain *= old[side] / new[side] if new[side] else 1.0
        own.leader.soloists.remove(voice)
        own.leader = manager
        manager.soloists.append(voice)
        self.aim(voice, at)
