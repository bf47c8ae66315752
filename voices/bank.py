"""A bank: the packed arrays of all voices with the same number of partials.

The voices in use are the first ``count`` rows of every array, so that one call works on all of
them and never touches a silent one; a voice that ends hands its row to the last. Voices whose
pitch and spectrum stand still are one stacked matrix product (see `voices.tables`), the others go
through `voices.moving`; then every row gets its envelope.

Shapes: ``V`` voices, ``P`` partials, ``T`` frames a block, cut into ``R`` rows of ``C`` columns.
`Bank.render` is on the audio path: it takes no lock, logs nothing and raises nothing.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.envelopes import Envelopes
from voices.motion import GAINS, PITCH, Motion, Stretch
from voices.moving import Movers, advance, sounding
from voices.segment import Segment
from voices.spectrum import Spectrum
from voices.table_cache import TableCache
from voices.tables import FADE_START, below_nyquist, shape_of
from voices.voice import Voice

SILENT = 1e-7
"""A partial below this level (-140 dB) is zeroed."""
TIDY_FRAMES = 1024
SPARE_ROWS = 8


class Bank:
    """The voices of ``partials`` partials each. One thread at a time."""

    def __init__(
        self,
        partials: int,
        frames: int,
        voices: int,
        motion: Motion,
        spectrum: Spectrum,
        cache: TableCache,
    ) -> None:
        self.partials = partials
        self.count = 0
        self.voices: list[Voice] = []
        self.channel = np.zeros(0, np.intp)
        self.gain = np.zeros((0, 2), np.float32)
        """Shape (V, 2): left and right, for channels whose gain does not move."""
        self._frames = frames
        self._motion = motion
        self._spectrum = spectrum
        self._cache = cache
        self._next_end = float("inf")
        self._next_tidy = 0
        self._any_stale = False
        self._envelopes = Envelopes(voices + SPARE_ROWS, frames)
        self._make_room(voices + SPARE_ROWS)

    def _make_room(self, capacity: int) -> None:
        """Make room for ``capacity`` voices, keeping what is there."""
        rows, columns = shape_of(self._frames)
        partials, kept = self.partials, self.count

        def room(name: str, dtype: type, *shape: int) -> NDArray[Any]:
            array: NDArray[Any] = np.zeros((capacity, *shape), dtype)
            if kept:
                array[:kept] = getattr(self, name)[:kept]
            return array

        self._rows = room("_rows", np.complex64, rows, partials)
        self._columns = room("_columns", np.float32, 2 * partials, columns)
        self._step = room("_step", np.complex128, partials)
        self._state = room("_state", np.complex128, partials)
        self._levels = room("_levels", np.float64, partials)
        self._decays = room("_decays", np.float64, partials)
        self._ratios = room("_ratios", np.float64, partials)
        self._phases = room("_phases", np.float64, partials)
        self._octaves = room("_octaves", np.float64, partials)
        self._frequency = room("_frequency", np.float64)
        self._turning = room("_turning", np.float64)
        """Cycles per frame of the key at the pitch its tables are for."""
        self._phase = room("_phase", np.float64)
        """Cycles of the key since the onset, as of frame ``_since``."""
        self._since = room("_since", np.float64)
        self._onset = room("_onset", np.float64)
        self._stale = room("_stale", bool)
        """Whether tables and state do not hold: a new voice, or one that was in motion."""
        self.channel = room("channel", np.intp)
        self.gain = room("gain", np.float32, 2)
        self._packed = (
            *(self._rows, self._columns, self._step, self._state, self._levels, self._decays),
            *(self._ratios, self._phases, self._octaves, self._frequency, self._turning),
            *(self._phase, self._since, self._onset, self._stale, self.channel, self.gain),
        )
        self._narrow = np.zeros((capacity, partials), np.complex64)
        self._left = np.zeros((capacity, rows, partials), np.complex64)
        self._wave = np.zeros((capacity, rows, columns), np.float32)

    def add(self, voice: Voice) -> None:
        """Give a voice a row; its onset lies in the next block."""
        if self.count == len(self._frequency):
            self._envelopes.grow(2 * self.count)
            self._make_room(2 * self.count)
        row = self.count
        self.count += 1
        voice.bank, voice.index = self, row
        self.voices.append(voice)
        self._levels[row] = voice.levels
        self._decays[row] = voice.decays
        self._ratios[row] = voice.timbre.ratios
        self._phases[row] = voice.timbre.phases
        self._octaves[row] = voice.timbre.octaves
        self._frequency[row] = voice.frequency
        self._onset[row] = voice.segment.start
        self._phase[row] = self._turning[row] = 0.0
        self._since[row] = voice.segment.start
        self._stale[row] = self._any_stale = True
        self.channel[row] = voice.channel
        self._envelopes.start(row, voice.segment)
        self._watch_end(voice)

    def change(self, voice: Voice, segment: Segment) -> None:
        """Start another segment of a voice's envelope, inside the next block."""
        voice.segment = segment
        self._envelopes.change(voice.index, segment)
        self._watch_end(voice)

    def _watch_end(self, voice: Voice) -> None:
        voice.ends = voice.segment.falls_below(min(0.5, 1e-6 / max(voice.loudest, 1e-6)))
        self._next_end = min(self._next_end, voice.ends)

    def render(
        self, frame: int, stretches: Sequence[Stretch] | None
    ) -> tuple[NDArray[np.float32], NDArray[np.float32] | None]:
        """Return the next block of every voice, (V, T), before the channels' gains.

        With it comes a level for each, (V, 1), where that is all the envelopes ask for.
        ``stretches`` are the motion of the channels in this block, if there is any.
        """
        count = self.count
        movers = np.zeros(0, np.intp)
        if stretches is not None:
            moves = self._motion.turning[self.channel[:count]]
            movers = np.flatnonzero(moves)
            self.gain[:count] = self._motion.value[self.channel[:count], GAINS]
        if self._any_stale:
            rested = self._stale[:count].copy()
            rested[movers] = False
            if rested.any():
                self._rest(np.flatnonzero(rested), frame)
            self._any_stale = len(movers) > 0
        wave = self._wave[:count]
        if len(movers) < count:
            narrow, left = self._narrow[:count], self._left[:count]
            np.copyto(narrow, self._state[:count], casting="same_kind")
            np.multiply(self._rows[:count], narrow[:, None], out=left)
            np.matmul(left.view(np.float32), self._columns[:count], out=wave)
            self._state[:count] *= self._step[:count]
        flat = wave.reshape(count, self._frames)
        if len(movers) and stretches is not None:
            self._move(movers, frame, stretches, flat)
        level = self._envelopes.levels(frame, count)
        if level.shape[1] == 1:
            return flat, level
        flat *= level
        return flat, None

    def _rest(self, rows: NDArray[np.intp], frame: int) -> None:
        """Give voices at rest the tables and state of the pitch they rest at."""
        channels = self.channel[rows]
        values = self._motion.value[channels]
        pitch = np.exp2(values[:, PITCH] / 1200.0)
        weight = np.empty((len(rows), self.partials))
        voices = [self.voices[row] for row in rows]
        turns = self._frequency[rows] * pitch
        known = self._cache.tables(
            [(v.timbre, v.note.key, turn) for v, turn in zip(voices, turns, strict=True)]
        )
        for place, row in enumerate(rows):
            self._rows[row], self._columns[row], self._step[row], weight[place] = known[place]
        phase = self._phase_at(rows, frame, turns)
        self._phase[rows], self._since[rows], self._turning[rows] = phase, frame, turns
        self._stale[rows] = False
        self.gain[rows] = values[:, GAINS]
        level = self._levels[rows] * weight
        level *= np.exp(self._decays[rows] * (self._onset[rows] - frame)[:, None])
        gains = self._spectrum.gains(values, self._octaves[rows])
        if gains is not None:
            level *= gains
        angle = self._ratios[rows] * phase[:, None] + self._phases[rows] - 0.25
        self._state[rows] = level * np.exp(2j * np.pi * (angle - np.rint(angle)))

    def _move(
        self,
        movers: NDArray[np.intp],
        frame: int,
        stretches: Sequence[Stretch],
        wave: NDArray[np.float32],
    ) -> None:
        """Render the voices in motion, stretch by stretch."""
        self._stale[movers] = self._any_stale = True
        channels, octaves = self.channel[movers], self._octaves[movers]
        frequency, onset = self._frequency[movers], self._onset[movers]
        phase = self._phase_at(movers, frame, self._turning[movers])
        fixed = (self._ratios[movers], self._phases[movers], self._levels[movers])
        decays = self._decays[movers]
        fading = bool(decays.any())
        turns = fixed[0] * frequency[:, None]
        for stretch in stretches:
            offset, length = stretch.offset, stretch.frames
            pitches = stretch.pitch_begin[channels], stretch.pitch_end[channels]
            gains = self._gains(stretch, channels, octaves, turns, pitches)
            first, last = stretch.cut(*pitches)
            slope = (last - first) / length
            age = frame + offset - onset
            new = (age <= 0) & (age > -length)
            if new.any():
                phase[new] = -advance(frequency, -age, first, slope)[new]
            wave[movers, offset : offset + length] = sounding(
                Movers(phase, age, frequency, *fixed, decays, fading),
                length,
                (first, last, (pitches[0] + pitches[1]) / 2),
                gains,
            )
            phase = phase + advance(frequency, float(length), first, slope)
        self._phase[movers], self._since[movers] = phase, frame + self._frames

    def _phase_at(
        self, rows: NDArray[np.intp], frame: int, turning: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the cycles turned until ``frame``, at ``turning`` since last accounted for."""
        phase: NDArray[np.float64] = self._phase[rows] + turning * (frame - self._since[rows])
        return phase

    def _gains(
        self,
        stretch: Stretch,
        channels: NDArray[np.intp],
        octaves: NDArray[np.float64],
        turns: NDArray[np.float64],
        pitches: tuple[NDArray[np.float64], NDArray[np.float64]],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        """Return what channels and half the sample rate do to each partial, at both ends."""
        ends = []
        for values, pitch in zip((stretch.begin, stretch.end), pitches, strict=True):
            gains = self._spectrum.gains(values[channels], octaves)
            if float(pitch.max()) * turns.max() > FADE_START:
                weight = below_nyquist(turns * pitch[:, None])
                gains = weight if gains is None else gains * weight
            ends.append(gains)
        begin, end = ends
        if begin is None and end is None:
            return None
        level = np.ones(turns.shape)
        return stretch.cut(level if begin is None else begin, level if end is None else end)

    def ended(self, frame: int) -> list[Voice]:
        """Take out and return the voices that are silent from ``frame`` on."""
        if frame >= self._next_tidy:
            self._tidy(frame - frame % TIDY_FRAMES)
        if frame < self._next_end:
            return []
        ended = [voice for voice in self.voices if voice.ends <= frame]
        for voice in ended:
            self._take_out(voice)
        self._next_end = min((voice.ends for voice in self.voices), default=float("inf"))
        return ended

    def _take_out(self, voice: Voice) -> None:
        """Hand the row of a voice to the last one."""
        last = self.voices.pop()
        self.count -= 1
        if last is not voice:
            row = voice.index
            for array in self._packed:
                array[row] = array[self.count]
            self._envelopes.move(self.count, row)
            self.voices[row] = last
            last.index = row

    def _tidy(self, frame: int) -> None:
        """Zero the partials that have died away, before their squares become subnormal."""
        self._next_tidy = frame + TIDY_FRAMES
        count = self.count
        if not self._decays[:count].any():
            return
        age = np.maximum(frame - self._onset[:count], 0.0)
        level = self._levels[:count] * np.exp(-self._decays[:count] * age[:, None])
        faint = (level < SILENT) & (self._decays[:count] > 0)
        self._state[:count][faint] = 0.0
        self._levels[:count][faint] = 0.0
        for row in np.flatnonzero(~self._levels[:count].any(axis=1)):
            self.voices[row].ends = frame
            self._next_end = frame
