"""The notes: what keys and pedals do to voices.

Every note-on comes through `Notes.note_on`. A key that is struck again takes over its own voice,
and the first Note Off releases it, as a receiver may that does not stack (MIDI 1.0, A-4); with
``counted_note_offs`` it sounds until there was one Note Off for every Note On.

Units: frames, absolute; velocities 1.0 to 127.0. Threads: the instrument's.
"""

from collections.abc import Iterator, Sequence

from voices.channels.channel import CHANNELS, Channel
from voices.channels.control_targets import pressed_by
from voices.envelopes.envelope_segment import attack
from voices.modulation.smoother import LEFT, PITCH, RIGHT
from voices.notes.allocator import KeyAddress
from voices.notes.legato import Legato
from voices.notes.note_count import NEUTRAL
from voices.notes.voice import Voice, onset_spectrum
from voices.notes.voice_pool import VoicePool
from voices.synthesis.slot import Slot


class Notes:
    """The rules by which notes come and go."""

    def __init__(self, pool: VoicePool) -> None:
        self.ledger = pool.ledger
        self._pool = pool
        self._modulation = pool.modulation
        self._legato = Legato(pool)

    def has_sound(self, name: str) -> bool:
        """Return whether there is a sound of a name."""
        return name in self._pool.sounds

    def swells(self, channel: Channel) -> bool:
        """Return whether the swell changes the spectrum of a channel's sound."""
        return self._pool.voicing(channel.sound_name).swells

    # --- keys ------------------------------------------------------------------------------

    def refuse(self, account: str, address: KeyAddress, velocity: int, at: int) -> None:
        """Book a note-on that nothing sounds for."""
        controller, channel, key = address
        self.ledger.refuse_note(account, controller, channel % CHANNELS + 1, key, velocity, at)

    def note_on(
        self, channel: Channel, key: int, velocity: float, at: int, *, drone: bool = False
    ) -> None:
        """Begin a note, or book why it cannot sound."""
        pool, controls = self._pool, channel.control_channel
        address = (channel.controller, channel.number, key)
        sounding = channel.sounding_key(key) if channel.shift else key
        timbres = pool.timbres(channel.sound_name, sounding)
        frequency = channel.tuning.frequencies[sounding]
        cents = channel.targets[PITCH]
        bent = frequency * 2.0 ** (cents / 1200.0) if cents else frequency
        if bent * timbres[0].lowest >= 0.5 and all(bent * each.lowest >= 0.5 for each in timbres):
            self.refuse("above half the sample rate", address, int(velocity), at)
            return
        chosen, pedals = pool.settings.controller, controls.own_pedals
        velocity, heard_on = chosen.fixed_velocity or velocity, channel.number % CHANNELS + 1
        whole = int(velocity)
        note = pool.ledger.note_on(channel.controller, heard_on, key, whole, at)
        note.sounding_key = sounding
        legato = self._legato
        slurs = channel.mono or pedals.legato or channel.glide_from is not None
        if slurs and not drone and legato.take_over(channel, note, at):
            return
        before, offs_due = pool.allocator.get(address), 1
        if before is not None:
            if before.key_down and chosen.counted_note_offs:
                offs_due += before.offs_due
            pool.give_way(before, note, at)
        pool.make_room(address, note, at)
        if not pool.smoother.at_rest:
            pool.jump_if_silent(channel, at)
        row, slots, serial = channel.motion_row, [], note.serial
        wet = controls.room_send if timbres[0].sound.ranks else 0.0
        shape, usual = controls.shape, velocity == whole and not pedals.soft
        shaped = shape.attack or shape.decay or shape.sustain
        for timbre in timbres:
            course = timbre.courses[whole >> 4]
            segment = attack(at, shape.shaped(course) if shaped else course)
            if usual:
                spectrum = timbre.spectrum(whole, serial)
            else:
                spectrum = onset_spectrum(timbre, velocity, serial, soft=pedals.soft)
            slots.append(Slot(timbre, sounding, frequency, spectrum, segment, row, wet))
        voice = Voice(note, address, channel, frequency, slots, row)
        voice.audible = bool(channel.targets[LEFT] or channel.targets[RIGHT])
        voice.offs_due, voice.drone = offs_due, drone
        pool.enter(voice)
        legato.begin(voice, at)

    def key_up(self, channel: Channel, key: int, at: int, velocity: int = NEUTRAL) -> None:
        """Release a key; a pedal may hold on to its note."""
        for layer in channel.layers:
            self.key_up(layer, key, at, velocity)
        pool, address = self._pool, (channel.controller, channel.number, key)
        if pool.stolen.notes:
            pool.stolen.key_up(address, at, pedal=channel.pedals.holding)
        voice = pool.allocator.get(address)
        if voice is None or not voice.key_down or voice.drone:
            if channel.covers:
                self._legato.uncover(channel, key)
            return
        voice.offs_due -= 1
        if voice.offs_due > 0:
            return
        if velocity:  # many keys that do not measure how they are released send 0
            reach = pool.settings.controller.release_octaves
            voice.release_octaves = reach * (NEUTRAL - velocity) / NEUTRAL
        self._key_is_up(voice, at)

    def end_drone(self, channel: Channel, key: int, at: int) -> bool:
        """Release the drone on a key, whatever holds it; return whether there was one."""
        voice = self._pool.allocator.get((channel.controller, channel.number, key))
        if voice is None or not voice.drone or voice.released:
            return False
        self._pool.release(voice, at)
        return True

    def latch(self, controller: int, at: int) -> int:
        """Make drones of the keys of a controller that are down; if none is, end its drones.

        Return how many there are more, or, below zero, how many were ended.
        """
        voices = [v for v in self._pool.allocator.values() if v.address[0] == controller]
        down = [voice for voice in voices if voice.key_down and not voice.drone]
        for voice in down:
            voice.drone = True
        if down:
            return len(down)
        drones = [voice for voice in voices if voice.drone and not voice.released]
        for voice in drones:
            self._pool.release(voice, at)
        return -len(drones)

    def drones(self) -> list[Voice]:
        """Return the voices that sound on while their keys are up."""
        return [voice for voice in self._pool.allocator.values() if voice.drone]

    def keys_up(self, channel: Channel, at: int) -> None:
        """Release every key of a channel, and end its drones."""
        for layer in channel.layers:
            self.keys_up(layer, at)
        pool, pedals = self._pool, channel.pedals
        pool.stolen.keys_up(channel.controller, channel.number, at, pedal=pedals.holding)
        for voice in pool.voices_of(channel):
            voice.covered = ()
            if voice.key_down:
                self._key_is_up(voice, at)

    def _key_is_up(self, voice: Voice, at: int) -> None:
        """Release a note whose key is up, or let a pedal hold it."""
        pedals = voice.channel.control_channel.own_pedals
        voice.key_down = False
        if pedals.freeze and not pedals.hold:
            self._pool.freeze(voice, at)
        if not (pedals.hold or pedals.freeze or voice.latched):
            self._nothing_holds(voice, at)

    def _nothing_holds(self, voice: Voice, at: int) -> None:
        if not (voice.covered and self._legato.return_to_held(voice, at)):
            self._pool.release(voice, at)

    def key_pressure(self, channel: Channel, key: int, pressure: int, at: int) -> None:
        """Set the pressure on one key."""
        for layer in channel.layers:
            self.key_pressure(layer, key, pressure, at)
        voice = self._pool.allocator.get((channel.controller, channel.number, key))
        if voice is not None:
            self._press(voice, pressure, at)

    def _press(self, voice: Voice, pressure: int, at: int) -> None:
        settings = self._pool.settings
        controls = self._modulation.controls(voice)
        controls.pressure = pressure
        added = pressed_by(pressure, settings.pressure.key, settings)
        controls.gain, controls.depth, controls.tilt = added
        self._modulation.refresh(voice, at)

    def clear_key_pressure(self, channel: Channel, at: int) -> None:
        """Take the pressure off every key of a channel."""
        for layer in channel.layers:
            self.clear_key_pressure(layer, at)
        for voice in list(self.independent(channel)):
            if voice.controls is not None and voice.controls.pressure:
                self._press(voice, 0, at)

    # --- pedals ----------------------------------------------------------------------------

    def hold_down(self, channel: Channel, at: int) -> None:
        """Hold again what is in its release and still high enough."""
        for voice in self._under_pedals_of(channel):
            self._pool.recapture(voice, at)

    def freeze_down(self, channel: Channel, at: int) -> None:
        """Keep every note at the level it has."""
        for voice in self._under_pedals_of(channel):
            if not voice.released:
                self._pool.freeze(voice, at)

    def freeze_up(self, channel: Channel, at: int) -> None:
        """Let the levels go on, and release what no other pedal holds."""
        self.pedal_up(channel, at)
        for voice in self._under_pedals_of(channel):
            if voice.frozen and not voice.released:
                self._pool.resume(voice, at)

    def sostenuto_down(self, channel: Channel) -> None:
        """Latch the keys that are down."""
        for voice in self._under_pedals_of(channel):
            voice.latched = voice.key_down

    def sostenuto_up(self, channel: Channel) -> None:
        """Unlatch them; `pedal_up` must follow."""
        for voice in self._under_pedals_of(channel):
            voice.latched = False

    def pedal_up(self, channel: Channel, at: int) -> None:
        """Release what no pedal of a channel holds any more."""
        if channel.pedals.holding:
            return
        for each in (channel, *channel.members):
            for part in (each, *each.layers):
                self._pool.stolen.pedal_up(part.controller, part.number, at)
        for voice in self._under_pedals_of(channel):
            if not (voice.key_down or voice.latched or voice.released):
                self._nothing_holds(voice, at)

    def _under_pedals_of(self, channel: Channel) -> Iterator[Voice]:
        """Yield the voices that a channel's pedals hold."""
        pedals = channel.pedals
        for voice in list(self._pool.allocator.values()):
            if voice.channel.pedals is pedals:
                yield voice

    # --- all at once -----------------------------------------------------------------------

    def sounding_channels(self) -> list[Channel]:
        """Return the channels that sound, tails and fades included, and those they follow."""
        found: dict[Channel, None] = {}
        for voice in self._pool.voices():
            found[voice.channel.base] = None
            if voice.controls is not None:
                found[voice.controls.control_channel.base] = None
        return list(found)

    def mark_audible(self, channel: Channel) -> None:
        """Remember that the notes of a channel can be heard now."""
        for voice in self._pool.voices_of(channel):
            voice.audible = True

    def sound_off(self, channel: Channel, at: int, by: str = "all sound off") -> None:
        """End every note of a channel at once, without a click."""
        for layer in channel.layers:
            self.sound_off(layer, at, by)
        self._pool.stolen.keys_up(channel.controller, channel.number, at, pedal=False)
        for voice in self._pool.voices_of(channel):
            self._pool.cut(voice, at, by)

    def cut_controller(self, controller: int, at: int, by: str) -> None:
        """Release every note of a controller, whatever holds it."""
        pool = self._pool
        pool.stolen.end_controller(controller, at)
        for voice in [v for v in pool.allocator.values() if v.address[0] == controller]:
            voice.covered = ()
            pool.book(voice, "cut", at, by)
            pool.start_release(voice, at)

    # --- controls --------------------------------------------------------------------------

    def independent(self, channel: Channel) -> Sequence[Voice]:
        """Return the voices that follow a channel from a row of their own in `Smoother`."""
        return self._modulation.independent(channel)

    def forget_targets(self, channel: Channel, column: int) -> None:
        """Set the columns of `Smoother` from one on again: they mean something else now."""
        self._modulation.forget_targets(channel, column)

    def glide(self, until: int) -> None:
        """Move every gliding note along up to a frame."""
        if self._modulation.gliding:
            self._modulation.glide(until)

    def refresh(self, voice: Voice, at: int) -> None:
        """Send an independent voice to where its channel's controls are now."""
        self._modulation.refresh(voice, at)

    def retune(self, channel: Channel, at: int) -> None:
        """Bring the sounding notes of a channel to its tuning, without a click."""
        for layer in channel.layers:
            layer.tuning = channel.tuning
            self.retune(layer, at)
        for voice in self._pool.voices_of(channel):
            self._legato.retune(voice, at)
