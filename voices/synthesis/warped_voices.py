"""Voices whose pitch moves a little, drawn at their tables' pitch and read along a warped time.

All voices of a row of `Smoother` share the warped time: the integral of its frequency ratio over
that of the tables. Voices that are in it together are drawn as if at rest, some rows further than
the block is long, and read between the samples along that time, all by one matrix of taps. Tables
stay as they are, and no sine is evaluated; against a sine the error is below -120 dB. Partials die
away in time as it is heard: see `voices.synthesis.warped_group`. What a group cannot do so (wide
bends, high partials, spectra that change) is left to `voices.synthesis.moving_voices`: period by
period, so that the choice does not depend on the block.

Units: frames, cycles. Shapes: ``G`` voices of a group, ``P`` partials, ``Z`` sides, ``S`` control
periods, ``T`` frames; blocks of ``R`` rows by ``C`` columns (see `voices.phases.phasor_tables`).
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD, SPREAD, Smoother
from voices.modulation.vibrato_lfo import LONGEST_BLOCK
from voices.phases.phasor_tables import FADE_START, shape_of
from voices.phases.reading_kernel import TOGETHER, Reader, kernels
from voices.phases.warped_time import Course, Part, course_along, runs
from voices.synthesis.changing_spectra import ChangingSpectra
from voices.synthesis.moving_voices import MovingVoices
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays
from voices.synthesis.warped_group import MARGIN, Group, Key, rows_of

LOWEST, HIGHEST = 0.84, 1.19
"""Within these ratios of the tables' pitch, three semitones either way, voices are read, as long as
their partials stay below Nyquist."""
LEAST, PLENTY, MORE = 16, 512, 192
"""A group that is alone has at least so many partials, both sides counted; or it has plenty. Where
there are more groups, they have more all together: these, and twice as many for each but one. Each
partial costs less here, but a group has its own cost, and so has the other way."""

_NONE = np.zeros(0, np.intp)

Array = NDArray[Any]


class WarpedVoices:
    """The groups of a bank."""

    def __init__(
        self,
        arrays: VoiceArrays,
        slots: Sequence[Slot],
        frames: int,
        smoother: Smoother,
        changing: ChangingSpectra,
        moving: MovingVoices,
        reader: Reader,
    ) -> None:
        self._arrays = arrays
        self._slots = slots
        self._frames = frames
        self._smoother = smoother
        self._changing = changing
        self._moving = moving
        self._height, self._width = shape_of(frames, arrays.sides)
        self._groups: dict[Key, Group] = {}
        self._chosen: tuple[int, frozenset[int]] = -1, frozenset()
        """When a block of any length last began, and the rows of `Smoother` that had enough
        partials then."""
        self._chosen_of = -1
        """The changes of rows after which that holds; -1: it may not hold for long."""
        self._left_out: list[int] = []
        """Moving voices in no group."""
        self._known: tuple[int, bytes] | None = None
        """What the groups are of: changes of rows, and the voices that move."""
        self._reader = reader
        most = MARGIN + frames + int(frames * HIGHEST) + self._reader.samples(kernels()[-1])
        self._reach = most // self._width + 1
        """How many rows are drawn at most, from an origin on."""

    def render(
        self, moving: NDArray[np.intp], partials: int, frame: int, ramps: Ramps, wave: Array
    ) -> tuple[NDArray[np.intp], list[tuple[Rows, int, Array]]]:
        """Render those that fit into their rows of ``wave`` (V, Z, T); return the other voices.

        And, of those among them that fit for a while, what is to be put over their sound when it
        has been rendered: rows, the frame of the block where it begins, and their sound.
        """
        if self._arrays.spreading and all(self._arrays.spread_known[moving].tolist()):
            self._known = None
            return moving, []
        known = self._arrays.changes, moving.tobytes()
        if known != self._known or self._arrays.spreading:
            self._regroup(moving, frame)
            self._known = known
        if not self._groups:
            return moving, []
        rest, over = list(self._left_out), []
        whole: dict[int, list[tuple[Group, list[float]]]] = {}
        for group in self._groups.values():
            path = (ramps.pitch_ratio[:, group.motion_row] / group.ratio).tolist()
            fits = self._fits(group, path, ramps, frame - ramps.offset)
            if all(fits):
                whole.setdefault(group.kernel.taps, []).append((group, path))
                continue
            rows = group.rows
            rest += range(rows.start, rows.stop) if isinstance(rows, slice) else rows.tolist()
            for first, last in runs(fits):
                heard = self._read_part(
                    group, path[first : last + 1], first, partials, frame, ramps
                )
                over.append((rows, first * ramps.sub_block_frames, heard))
        for alike in whole.values():
            for first in range(0, len(alike), TOGETHER):
                self._read(alike[first : first + TOGETHER], partials, frame, ramps, wave)
        return np.array(sorted(rest), np.intp) if rest else _NONE, over

    def choose(self, frame: int, count: int) -> None:
        """Choose the rows that had enough voices before a frame at which all blocks begin."""
        arrays = self._arrays
        if self._chosen_of == arrays.changes:
            self._chosen = frame, self._chosen[1]
            return
        old = arrays.motion_row[:count][arrays.onset[:count] < frame]
        self._chosen_of = arrays.changes if len(old) == count else -1
        partials = np.bincount(old) * (arrays.partials * arrays.sides)
        groups = np.count_nonzero(partials)
        all_have = partials.sum() >= (LEAST if groups == 1 else MORE * (2 * groups - 1))
        enough = (partials >= (1 if all_have else PLENTY)).nonzero()[0]
        since, before = self._chosen
        self._chosen = frame, frozenset(enough.tolist())
        if self._chosen[1] != before or since != frame - LONGEST_BLOCK:
            self._known = None

    def _regroup(self, moving: NDArray[np.intp], frame: int) -> None:
        """Find the groups of the voices that move; those that were read together go on."""
        arrays, before, (since, chosen) = self._arrays, self._groups, self._chosen
        if since != frame - frame % LONGEST_BLOCK:
            chosen = frozenset()
        ratios = arrays.table_frequency[moving] / arrays.frequency[moving]
        highest = (arrays.highest[moving] * ratios).tolist()
        fit = ~arrays.spread_known[moving]
        members: dict[Key, list[tuple[int, float, float]]] = {}
        self._groups, self._left_out = {}, []
        each = zip(
            *(moving.tolist(), arrays.motion_row[moving].tolist(), ratios.tolist()),
            *(highest, fit.tolist()),
            strict=True,
        )
        for row, motion_row, ratio, top, fits in each:
            if fits and motion_row in chosen and top <= kernels()[-1].band:
                key = motion_row, round(ratio * 1e9)
                members.setdefault(key, []).append((row, ratio, top))
            else:
                self._left_out.append(row)
        for key, those in members.items():
            numbers, top = [row for row, _, _ in those], max(top for _, _, top in those)
            kernel = next(each for each in kernels() if top <= each.band)
            slots = [self._slots[row] for row in numbers]
            fastest = min(HIGHEST, FADE_START / top)
            group = Group(rows_of(numbers), slots, key[0], those[0][1], kernel, fastest)
            if key in before:
                old = before[key]
                group.ahead, group.due, group.since = old.ahead, old.due, old.since
                group.new = [slot for slot in slots if slot not in old.slots or slot in old.new]
            group.find_decays(arrays)
            group.draw_further(self._arrays, self._reach, self._height, before.get(key))
            self._groups[key] = group

    def _fits(self, group: Group, path: list[float], ramps: Ramps, frame: int) -> list[bool]:
        """Return in which control periods, the first of which starts at a frame, a group fits."""
        inside = (LOWEST < ratio < group.fastest for ratio in path)
        fits = [begin and end for begin, end in pairwise(inside)]
        row = group.motion_row
        since, until = self._smoother.respun.get(row, (0, 0))
        if until > frame:
            for period in range(len(fits)):
                if since <= frame + period * CONTROL_PERIOD < until:
                    fits[period] = False
        if ramps.spread:
            spread = ramps.begin[:, row, SPREAD] != 0.0
            spread |= ramps.end[:, row, SPREAD] != 0.0
            fits = [here and not apart for here, apart in zip(fits, spread.any(1), strict=True)]
        return fits

    def _read(
        self,
        groups: Sequence[tuple[Group, list[float]]],
        partials: int,
        frame: int,
        ramps: Ramps,
        wave: Array,
    ) -> None:
        """Render a block of groups, which have one kernel, and let them go on to the next."""
        courses, lines = [], list[float]()
        for group, path in groups:
            self._begin(group, frame, ramps)
            courses.append(course_along(path, ramps, group.ahead, self._reader.piece))
            lines += courses[-1].lines
        matrices = self._reader.lay_out(lines, groups[0][0].kernel)
        each = matrices.reshape(len(groups), -1, *matrices.shape[1:])
        for (group, _), course, those in zip(groups, courses, each, strict=True):
            state = self._arrays.turned[group.rows]
            since = frame - group.since
            wave[group.rows] = self._draw(group, state, since, course, those, partials)
            group.go_on(self._arrays, course.end - group.ahead, frame, self._frames)

    def _begin(self, group: Group, frame: int, ramps: Ramps) -> None:
        """Have the states of the voices of a group that were not read until now."""
        if group.due != frame:
            group.ahead, group.new, group.sound = float(MARGIN), list(group.slots), None
            group.since = float(frame - MARGIN)
        if group.new:
            new = rows_of([slot.index for slot in group.new])
            begun = self._begun(new, group, frame, ramps)
            state = self._state(new, group, begun, group.ahead, group.since, ramps)
            self._arrays.turned[new], self._arrays.cycles[new] = state, begun
            group.new, group.sound = [], None

    def _read_part(
        self, group: Group, path: list[float], first: int, partials: int, frame: int, ramps: Ramps
    ) -> NDArray[np.float32]:
        """Return the sound of a group in control periods of a block, the ``first`` and so on."""
        begun = self._begun(group.rows, group, frame, ramps)
        before = (ramps.pitch_ratio[: first + 1, group.motion_row] / group.ratio).tolist()
        gone = course_along(before, ramps, 0.0, ramps.sub_block_frames).end
        begun += self._arrays.frequency[group.rows] * (gone * group.ratio)
        since = frame + first * ramps.sub_block_frames - MARGIN
        group.sound = None  # drawn from another state than the one below
        state = self._state(group.rows, group, begun, float(MARGIN), since, ramps)
        course = course_along(path, ramps, float(MARGIN), self._reader.piece)
        matrices = self._reader.lay_out(course.lines, group.kernel)
        return self._draw(group, state, float(MARGIN), course, matrices, partials)

    def _begun(self, rows: Rows, group: Group, frame: int, ramps: Ramps) -> Array:
        """Return the cycles that keys have turned since their onsets as a block begins."""
        count = len(self._arrays.onset[rows])
        ratios = ramps.pitch_ratio[:, group.motion_row, None].repeat(count, axis=1)
        return self._moving.cycles_begun(rows, frame, ramps, ratios)

    def _state(
        self, rows: Rows, group: Group, begun: Array, ahead: float, since: float, ramps: Ramps
    ) -> Array:
        """Return the state of voices, (G, Z, P), so far before keys have turned so much.

        Their partials are as loud as after having decayed up to a frame ``since``.
        """
        arrays = self._arrays
        back = arrays.frequency[rows] * (group.ratio * ahead)
        cycles = arrays.ratios[rows] * (begun - back)[:, None]
        state = np.exp(2j * np.pi * (cycles - np.rint(cycles)))
        state *= self._changing.at_start(rows, ramps)
        if group.decays is not None:
            state *= np.exp(arrays.decays[rows] * (arrays.onset[rows] - since)[:, None])
        return np.asarray(state[:, None] * arrays.onset_phasors[rows])

    def _draw(
        self,
        group: Group,
        state: Array,
        since: float,
        course: Course,
        matrices: NDArray[np.float32],
        partials: int,
    ) -> NDArray[np.float32]:
        """Return voices, read along a course from ``since`` frames after their state, (G, Z, T)."""
        if group.decays is None:
            return self._read_drawn(group, state, course.begins, None, matrices, partials)
        heard = [
            self._read_drawn(
                *(group, state, course.begins[part.pieces], part),
                *(matrices[part.pieces], partials),
            )
            for part in course.parts(since)
        ]
        return heard[0] if len(heard) == 1 else np.concatenate(heard, axis=2)

    def _read_drawn(
        self,
        group: Group,
        state: Array,
        begins: Sequence[int],
        part: Part | None,
        matrices: NDArray[np.float32],
        partials: int,
    ) -> NDArray[np.float32]:
        before, width = group.kernel.before, self._width
        first, last = (begins[0] - before) // width, (begins[-1] - before + matrices.shape[1] - 1)
        rows = range(first, last // width + 1)
        if part is None:
            drawn = group.drawn_on(self._arrays, state, partials, rows)
        else:
            drawn = group.drawn(self._arrays, state, partials, rows, part)
        before += first * width
        heard = self._reader.read(drawn, [begin - before for begin in begins], matrices)
        return heard.reshape(len(state), -1, heard.shape[1])
