"""The notes: what keys and pedals do to voices.

Every note-on comes through `Notes.strike`. A key that is struck again takes over its own voice, and
the first Note Off lets it go, as a receiver may that does not stack (MIDI 1.0, A-4); with
``counted_note_offs`` it sounds until there was one Note Off for every Note On.

Units: frames, absolute; velocities 1.0 to 127.0. Threads: the instrument's.
"""

from collections.abc import Iterator

from voices.channels.channel import Channel
from voices.channels.control_targets import pressed_by
from voices.modulation.smoother import LEFT, PITCH, RIGHT
from voices.notes.allocator import KeyAddress
from voices.notes.legato import Legato
from voices.notes.voice import Voice
from voices.notes.voice_pool import VoicePool
from voices.synthesis.envelope_segment import attack

NEUTRAL = 64
"""The release velocity of keys that have none (MIDI 1.0, p. 10)."""


class Notes:
    """The rules by which notes come and go."""

    def __init__(self, ensemble: VoicePool) -> None:
        self._ensemble = ensemble
        self._lanes = ensemble.lanes
        self._slurs = Legato(ensemble)

    def knows(self, sound: str) -> bool:
        """Return whether there is a sound of a name."""
        return sound in self._ensemble.sounds

    # --- keys ------------------------------------------------------------------------------

    def refuse(self, account: str, place: KeyAddress, velocity: int, at: int) -> None:
        """Book a note-on that nothing sounds for."""
        controller, channel, key = place
        self._ensemble.ledger.turn_away(account, controller, channel + 1, key, velocity, at)

    def strike(self, channel: Channel, key: int, velocity: float, at: int) -> None:
        """Begin a note, or book why it cannot sound."""
        ensemble, leader = self._ensemble, channel.leader
        place = (channel.controller, channel.number, key)
        timbre = ensemble.timbre(leader.sound)
        turning = channel.tuning.turning[key]
        if turning * 2.0 ** (channel.goals[PITCH] / 1200.0) * timbre.lowest >= 0.5:
            self.refuse("above half the sample rate", place, int(velocity), at)
            return
        velocity = ensemble.settings.controller.fixed_velocity or velocity
        note = ensemble.ledger.strike(place[0], channel.number + 1, key, int(velocity), at)
        if self._slurs.take_over(channel, note, at):
            return
        before = ensemble.allocator.get(place)
        offs_due = 1
        if before and before.key_down and ensemble.settings.controller.counted_note_offs:
            offs_due += before.offs_due
        if before:
            ensemble.give_way(before, note, at)
        ensemble.make_room(place, note, at)
        ensemble.settle(channel, at)
        segment = attack(
            at,
            timbre.attack * 2.0**leader.attack_octaves,
            timbre.sustain,
            timbre.decay_rate / 2.0**leader.decay_octaves,
        )
        soft = leader.own_pedals.soft
        voice = Voice(note, place, channel, timbre, turning, segment, velocity, soft=soft)
        voice.offs_due = offs_due
        voice.audible = bool(channel.goals[LEFT] or channel.goals[RIGHT])
        ensemble.enter(voice)
        self._slurs.begin(voice, at)

    def key_up(self, channel: Channel, key: int, at: int, velocity: int = NEUTRAL) -> None:
        """Let a key go; a pedal may hold on to its note."""
        ensemble, pedals = self._ensemble, channel.pedals
        place = (channel.controller, channel.number, key)
        ensemble.lost.key_up(place, at, pedal=pedals.holding)
        voice = ensemble.allocator.get(place)
        if voice is None or not voice.key_down:
            if channel.covers:
                self._slurs.uncover(channel, key)
            return
        voice.offs_due -= 1
        if voice.offs_due > 0:
            return
        if velocity:  # many keys that do not feel how they are let go send 0
            reach = ensemble.settings.controller.release_octaves
            voice.release_octaves = reach * (NEUTRAL - velocity) / NEUTRAL
        self._key_gone(voice, at)

    def keys_up(self, channel: Channel, at: int) -> None:
        """Let every key of a channel go."""
        ensemble, pedals = self._ensemble, channel.pedals
        number = channel.controller, channel.number
        ensemble.lost.keys_up(*number, at, pedal=pedals.holding)
        for voice in ensemble.of(channel):
            voice.covered.clear()
            if voice.key_down:
                self._key_gone(voice, at)

    def _key_gone(self, voice: Voice, at: int) -> None:
        """Release a note whose key is up, or let a pedal hold it."""
        pedals = voice.channel.pedals
        voice.key_down = False
        if pedals.freeze and not pedals.hold:
            self._ensemble.freeze(voice, at)
        if not (pedals.holding or voice.latched):
            self._nothing_holds(voice, at)

    def _nothing_holds(self, voice: Voice, at: int) -> None:
        if not self._slurs.go_back(voice, at):
            self._ensemble.let_go(voice, at)

    def press(self, channel: Channel, key: int, pressure: int, at: int) -> None:
        """Take the pressure on one key."""
        voice = self._ensemble.allocator.get((channel.controller, channel.number, key))
        if voice is not None:
            self._press(voice, pressure, at)

    def _press(self, voice: Voice, pressure: int, at: int) -> None:
        settings = self._ensemble.settings
        own = self._lanes.give(voice)
        own.pressure = pressure
        own.gain, own.swing, own.tilt = pressed_by(pressure, settings.pressure.key, settings)
        self._lanes.aim(voice, at)

    def unpress(self, channel: Channel, at: int) -> None:
        """Take the pressure off every key of a channel."""
        for voice in list(channel.soloists):
            if voice.own is not None and voice.own.pressure:
                self._press(voice, 0, at)

    # --- pedals ----------------------------------------------------------------------------

    def hold_down(self, channel: Channel, at: int) -> None:
        """Catch what is in its release and still high enough."""
        for voice in self._under(channel):
            self._ensemble.catch(voice, at)

    def freeze_down(self, channel: Channel, at: int) -> None:
        """Keep every note at the level it has."""
        for voice in self._under(channel):
            if not voice.released:
                self._ensemble.freeze(voice, at)

    def freeze_up(self, channel: Channel, at: int) -> None:
        """Let the levels go on, and what no other pedal holds go."""
        self.pedal_up(channel, at)
        for voice in self._under(channel):
            if voice.frozen and not voice.released:
                self._ensemble.thaw(voice, at)

    def sostenuto_down(self, channel: Channel) -> None:
        """Latch the keys that are down."""
        for voice in self._under(channel):
            voice.latched = voice.key_down

    def sostenuto_up(self, channel: Channel) -> None:
        """Unlatch them; `pedal_up` has to follow."""
        for voice in self._under(channel):
            voice.latched = False

    def pedal_up(self, channel: Channel, at: int) -> None:
        """Let go what no pedal of a channel holds any more."""
        if channel.pedals.holding:
            return
        for each in (channel, *channel.members):
            self._ensemble.lost.pedal_up(each.controller, each.number, at)
        for voice in self._under(channel):
            if not (voice.key_down or voice.latched or voice.released):
                self._nothing_holds(voice, at)

    def _under(self, channel: Channel) -> Iterator[Voice]:
        """Yield the voices that a channel's pedals hold."""
        pedals = channel.pedals
        for voice in list(self._ensemble.allocator.values()):
            if voice.channel.pedals is pedals:
                yield voice

    # --- all at once -----------------------------------------------------------------------

    def channels(self) -> list[Channel]:
        """Return the channels that sound, tails and fades included, and those they follow."""
        found: dict[Channel, None] = {}
        for bank in self._ensemble.banks.values():
            for voice in bank.voices:
                found[voice.channel] = None
                if voice.own is not None:
                    found[voice.own.leader] = None
        return list(found)

    def heard(self, channel: Channel) -> None:
        """Remember that the notes of a channel can be heard now."""
        for voice in self._ensemble.of(channel):
            voice.audible = True

    def silence(self, channel: Channel, at: int) -> None:
        """End every note of a channel at once, without a click."""
        self._ensemble.lost.keys_up(channel.controller, channel.number, at, pedal=False)
        for voice in self._ensemble.of(channel):
            self._ensemble.cut(voice, at, "all sound off")

    def cut(self, controller: int, at: int, by: str) -> None:
        """Release every note of a controller."""
        ensemble = self._ensemble
        ensemble.lost.unplugged(controller, at)
        for voice in [v for v in ensemble.allocator.values() if v.place[0] == controller]:
            voice.covered.clear()
            ensemble.book(voice, "cut", at, by)
            ensemble.release(voice, at)

    def glide(self, until: int) -> None:
        """Move every gliding note along up to a frame."""
        if self._lanes.gliding:
            self._lanes.glide(until)

    def follow(self, voice: Voice, at: int) -> None:
        """Send a note that moves by itself to where its channel's controls are now."""
        self._lanes.aim(voice, at)

    def retune(self, channel: Channel, at: int) -> None:
        """Bring the sounding notes of a channel to its tuning, without a click."""
        for voice in self._ensemble.of(channel):
            self._slurs.retune(voice, at)
