"""A performance in virtual time: the daemon's own code, driven by a simulated controller.

Units: microseconds of a virtual clock that starts at 0, frames, beats of the tune.
Shapes: audio is ``(N, 2)`` float32.

Real are the controller input, the ring, the timestamps, the engine and the note count. Simulated
are the controller, its cable, and the card's clock, which here is never late. So the same settings
always give the same sound.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import mido
import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from config.toml.wording import counted
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.midi.controllers import Controllers
from daemon.midi.simulated import SimulatedPorts
from daemon.offline.demo_tune import BEAT_S, Step, steps
from daemon.offline.scene import Mark, Scene, bars
from daemon.player.engine import Engine
from voices.instrument import Instrument
from voices.notes.note_count import Note

CONTROLLER = "Cargo Bike Keys 25"
PORT = f"{CONTROLLER}:{CONTROLLER} MIDI 1 20:0"
"""The name of its only port, as the kernel would write it."""
POLYPHONY = 8
"""Few enough for the tune to exceed it."""
POLL_US = 250_000
"""How often the program looks for controllers: four times a second."""
TICKS_PER_BEAT = 480
DEFAULT_RATE = 48_000
_START_BEATS = 4.0
_TAIL_S = 12.0
_SILENT = 1e-5
_CABLE = {"in": "plugged in", "out": "pulled out"}


@dataclass
class Performance:
    """What a rehearsal produced."""

    audio: NDArray[np.float32]
    sample_rate: int
    block_frames: int
    accounts: dict[str, int]
    received: int
    notes: list[Note]
    sounding_peak: int
    noticed: list[tuple[float, str]] = field(default_factory=list)
    """When the program noticed a change of the controllers, and which."""
    marks: list[Mark] = field(default_factory=list)
    """What was done to the cable; the program notices at its next look."""
    sent: list[tuple[float, bytes]] = field(default_factory=list)
    """Beat and message; what was held when the cable was pulled ends there."""

    def scene(self, ceiling_db: float) -> Scene:
        """Return the performance as it is shown."""
        absences, from_s = [], 0.0
        for mark in self.marks:
            if mark.words == _CABLE["out"]:
                from_s = mark.at_s
            else:
                absences.append((from_s, mark.at_s))
        return Scene(
            title=f"A waltz for a cargo-bike organ, played on '{CONTROLLER}'",
            bars=bars(self.notes, self.sample_rate, len(self.audio)),
            marks=self.marks,
            absences=absences,
            audio=self.audio,
            sample_rate=self.sample_rate,
            ceiling_db=ceiling_db,
        )

    def midi(self) -> mido.MidiFile:
        """Return what was played as a MIDI file."""
        made = mido.MidiFile(ticks_per_beat=TICKS_PER_BEAT)
        track = made.add_track("Rehearsal")
        track.append(mido.MetaMessage("set_tempo", tempo=round(BEAT_S * 1e6)))
        track.append(mido.MetaMessage("time_signature", numerator=3, denominator=4))
        before = 0
        for beat, message in self.sent:
            tick = round(beat * TICKS_PER_BEAT)
            track.append(mido.Message.from_bytes(message, time=tick - before))
            before = tick
        return made


def rehearsal_settings(settings: Settings) -> Settings:
    """Return ``settings`` with few voices, and listening to the simulated controller."""
    controller = settings.controller.model_copy(update={"name": "", "channels": []})
    few = min(settings.polyphony, POLYPHONY)
    return settings.model_copy(update={"polyphony": few, "controller": controller})


def perform(
    settings: Settings, sounds: Mapping[str, Sound], *, sample_rate: int = 0
) -> Performance:
    """Play the tune; ``sample_rate`` 0 means `DEFAULT_RATE`."""
    return _Stage(settings, sounds, sample_rate or DEFAULT_RATE).perform()


class _Stage:
    """The program's parts, connected as the daemon connects them, and a controller."""

    def __init__(self, settings: Settings, sounds: Mapping[str, Sound], sample_rate: int) -> None:
        self._rate = sample_rate
        self._frames = settings.audio.block_frames
        ring = MessageRing(memoryview(bytearray(MessageRing.SIZE)))
        self._counters = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
        self._ports = SimulatedPorts()
        self._controllers = Controllers(self._ports, ring.put, settings.controller.name)
        self._instrument = Instrument(
            settings, sample_rate=self._rate, block_frames=self._frames, sounds=sounds
        )
        self._engine = Engine(
            settings,
            ring=ring,
            counters=self._counters,
            sample_rate=self._rate,
            block_frames=self._frames,
            instrument=self._instrument,
        )
        self._held: dict[int, None] = {}
        self._noticed: list[tuple[float, str]] = []
        self._marks: list[Mark] = []
        self._sent: list[tuple[float, bytes]] = []

    def perform(self) -> Performance:
        """Play the tune block by block until the last tail is silent."""
        waiting = [(round((s.beat + _START_BEATS) * BEAT_S * 1e6), s) for s in steps()]
        last_us = waiting[-1][0]
        recorded: list[NDArray[np.float32]] = []
        block, poll_us, now_us = 0, 0, 0
        while True:
            now_us = round(block * self._frames * 1e6 / self._rate)
            while waiting and waiting[0][0] <= now_us:
                self._do(*waiting.pop(0))
            if now_us >= poll_us:
                self._look(now_us)
                poll_us += POLL_US
            out = np.empty((self._frames, 2), np.float32)
            self._engine.render_block(out, now_us)
            recorded.append(out)
            block += 1
            late_us = now_us - last_us
            quiet = max(self._instrument.peaks) < _SILENT
            if not waiting and (late_us > _TAIL_S * 1e6 or (late_us > 500_000 and quiet)):
                break
        snapshot = self._counters.snapshot()
        ledger = self._instrument.ledger
        return Performance(
            audio=np.concatenate(recorded),
            sample_rate=self._rate,
            block_frames=self._frames,
            accounts=ledger.accounts(),
            received=ledger.received,
            notes=list(ledger.notes),
            sounding_peak=snapshot.sounding_peak,
            noticed=self._noticed,
            marks=self._marks,
            sent=self._sent,
        )

    def _do(self, time_us: int, step: Step) -> None:
        beat = step.beat + _START_BEATS
        if step.cable == "in":
            self._ports.plug(PORT)
        elif step.cable == "out":
            self._ports.unplug(PORT)
            self._sent += [(beat, bytes((0x80, key, 64))) for key in self._held]
            self._held.clear()
        elif self._ports.send(PORT, step.message, time_us):
            self._sent.append((beat, step.message))
            self._follow(step.message)
        if step.cable:
            self._marks.append(Mark(time_us / 1e6, _CABLE[step.cable]))

    def _follow(self, message: bytes) -> None:
        kind = message[0] & 0xF0
        if kind == 0x90:
            self._held[message[1]] = None
        elif kind == 0x80:
            self._held.pop(message[1], None)

    def _look(self, now_us: int) -> None:
        for change in self._controllers.poll(now_us):
            held = f"; {counted(change.held, 'held note')} released" if change.held else ""
            words = f"controller {change.kind}: '{change.name}'{held}"
            self._noticed.append((now_us / 1e6, words))
