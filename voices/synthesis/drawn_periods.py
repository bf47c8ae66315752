"""The periods of a bank's voices: for whom one is drawn, when, and how long it holds.

A voice gets its periods, one for each harmonic series of its partials, once its pitch moves and no
partial of it is still dying away. A few are drawn in each block, and drawn anew when the spectrum
has changed. Voices are chosen at frames where a block of any length begins, so the choice does not
depend on the block.

Units: frames.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import Smoother
from voices.modulation.vibrato_lfo import LONGEST_BLOCK
from voices.phases.periods import Periods, PeriodStore
from voices.synthesis.changing_spectra import ChangingSpectra
from voices.synthesis.slot import Slot
from voices.synthesis.voice_arrays import VoiceArrays
from voices.timbres.harmonic_series import MOST

DRAWN_IN = 5 * LONGEST_BLOCK
"""Within so many frames the periods are drawn of all voices that have begun to move together; all
at once they would cost several times what a block has time for."""


@dataclass(slots=True, eq=False)
class Drawn:
    """The periods of a slot."""

    slot: Slot
    places: Sequence[int]
    """Where they are among all periods."""
    chosen: int
    """The frame whose spectrum they are of."""
    to_draw: int
    """How many sides of them are yet to be drawn."""

    @property
    def due(self) -> int:
        """The frame from which on they are there."""
        return self.chosen + DRAWN_IN


class DrawnPeriods:
    """Those of a bank."""

    def __init__(
        self,
        arrays: VoiceArrays,
        slots: Sequence[Slot],
        frames: int,
        smoother: Smoother,
        changing: ChangingSpectra,
        store: PeriodStore,
    ) -> None:
        self.periods = Periods(arrays.partials, arrays.sides, store)
        self.choices = 0
        """How often they were chosen."""
        self._arrays = arrays
        self._slots = slots
        self._frames = frames
        self._smoother = smoother
        self._changing = changing
        self._drawn: dict[Slot, Drawn] = {}
        self._to_draw: list[Drawn] = []
        self._sides_to_draw = 0
        """Of all of those."""
        self._settled: tuple[int, bytes, int] | None = None
        """With which changes of rows, rows of `Smoother` that move, and end of the last change of a
        spectrum the choice stays as it is; None: with none."""

    @property
    def of(self) -> Mapping[Slot, Drawn]:
        """By slot; some are yet to be drawn."""
        return self._drawn

    def choose(self, frame: int, count: int, ramps: Ramps | None) -> None:
        """Choose the voices whose periods are to be drawn, at a frame at which all blocks begin."""
        arrays, respun = self._arrays, self._smoother.respun
        moves = np.zeros(len(self._smoother.values), bool)
        if ramps is not None:
            np.not_equal(ramps.pitch_ratio[0], ramps.pitch_ratio[1], out=moves)
        last_change = max((until for _, until in respun.values()), default=0)
        now = arrays.changes, moves.tobytes(), last_change
        if now == self._settled:
            return
        for drawn in list(self._drawn.values()):
            if self.stands_until(drawn.slot, drawn.chosen) <= frame:
                self.forget(drawn.slot)
        moving = moves[arrays.motion_row[:count]]
        moving &= arrays.onset[:count] < frame
        moving &= ~(arrays.dying[:count] | arrays.spread_known[:count])
        for row in moving.nonzero()[0].tolist():
            slot = self._slots[row]
            if slot not in self._drawn and self.stands_until(slot, frame) == inf:
                self._plan(slot, frame)
        settled = all(each.due <= frame for each in self._drawn.values())
        settled &= len(self.periods.free) >= MOST
        settled &= max(arrays.latest_onset, last_change) < frame
        self._settled = now if settled else None
        self.choices += 1

    def stands_until(self, slot: Slot, since: int) -> float:
        """Return the frame up to which the spectrum of a slot is as it was at a frame."""
        began, changed = self._smoother.respun.get(slot.motion_row, (0, 0))
        return inf if changed <= since else began

    def _plan(self, slot: Slot, frame: int) -> None:
        series, free, most = slot.timbre.series, self.periods.free, self.periods.harmonics
        if 0 < len(series) <= len(free) and all(each.highest <= most for each in series):
            sides = len(series) * self._arrays.sides
            self._drawn[slot] = drawn = Drawn(slot, free[-len(series) :], frame, sides)
            del free[-len(series) :]
            self._to_draw.append(drawn)
            self._sides_to_draw += sides

    def forget(self, slot: Slot) -> None:
        """Free the places of a slot's periods."""
        drawn = self._drawn.pop(slot, None)
        if drawn is not None:
            self.periods.free += drawn.places

    def draw(self, frame: int, ramps: Ramps | None) -> None:
        """Draw, in a block, a part of what is still to be drawn."""
        if not self._to_draw or self._to_draw[0].chosen == frame:  # to choose takes its time
            return
        # A bank is not rendered while it is silent.
        blocks = max(1, (self._to_draw[0].due - frame) // self._frames)
        if 2 * self._sides_to_draw <= blocks and frame // self._frames % 2:
            return  # two long blocks in a row would pass for too high a load
        for _ in range(-(-self._sides_to_draw // blocks)):
            drawn = self._to_draw[0]
            drawn.to_draw -= 1
            self._sides_to_draw -= 1
            if self._drawn.get(drawn.slot) is drawn:  # it has not ended since
                self._draw(drawn, ramps)
            if not drawn.to_draw:
                del self._to_draw[0]

    def _draw(self, drawn: Drawn, ramps: Ramps | None) -> None:
        """Draw the next side of a slot's periods."""
        row = drawn.slot.index
        order, side = divmod(drawn.to_draw, self._arrays.sides)
        series = drawn.slot.timbre.series[order]
        gains = self._changing.at_start(slice(row, row + 1), ramps)
        phasors = (self._arrays.onset_phasors[row, side] * gains).reshape(-1)
        spectrum = np.zeros(series.highest, np.complex64)
        np.add.at(spectrum, series.numbers - 1, phasors[series.partials])
        self.periods.write(drawn.places[order], side, spectrum)
