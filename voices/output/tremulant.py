"""A tremulant on the whole mix: level, pitch and brightness swing together.

Two kinds. ``wind``: a shaken wind supply, louder, sharper and brighter at once, both sides alike.
``rotor``: a loudspeaker that turns, with two speeds and unequal times to reach them; the sides
are a quarter turn apart. The pitch swings because the sound is read along a delay that swings
(for the rotor this is the Doppler shift); reading uses sixteen taps, polynomials of the fraction.

Values step on a grid of absolute frames, so what is heard does not depend on the block size.

Units: hertz, cents and dB peak to peak, seconds; cycles. Shapes: a block is (2, T) float32.
Threads: the instrument's; `Tremulant.apply` and `aim` are on the audio path.
"""

from collections import deque
from math import cos, exp, log, pi, sin
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from config import space

GRID = 64
TAPS, DEGREE_TERMS = 16, 8
_CENTRE = TAPS // 2
_FRAMES = np.arange(GRID)
_ALONG = np.arange(GRID) / GRID
FADE_S = 0.010
"""How long it fades between the mix as it is and the mix read along the delay."""
LONGEST_S = 0.003
OFF = 1e-4
"""Below this depth it is off."""


class Swing(NamedTuple):
    """How a tremulant swings at full depth."""

    rate_hz: float = 6.0
    """While it is on; of the rotor, when it turns fast."""
    slow_hz: float = 6.0
    """Of the rotor, when it turns slowly; of the wind the same as above."""
    level_db: float = 2.0
    pitch_cents: float = 12.0
    treble_db: float = 2.0
    """Added to the level's swing above about 2 kHz."""
    start_s: float = 0.6
    """To two thirds of its depth, or of the way to the faster speed."""
    stop_s: float = 1.0
    apart: float = 0.0
    """How far the right side is behind the left one, in cycles."""


WIND = Swing()
ROTOR = Swing(6.6, 0.8, 4.0, 40.0, 6.0, 0.8, 1.7, 0.25)
"""A horn of 0.18 m that turns 6.6 times a second shifts by 38 cents peak to peak (v = 2πrf)."""


def _taps() -> NDArray[np.float32]:
    """Return the taps as polynomials of the fraction, (2 * DEGREE_TERMS, TAPS).

    The first half reads the sound, the second what of it lies above about 2 kHz.
    """
    fractions = np.linspace(0.0, 1.0, 64)
    distance = np.arange(TAPS)[None, :] - (_CENTRE - 1) - fractions[:, None]
    window = np.kaiser(4 * TAPS * 64 + 1, 7.0)
    at = np.clip((distance / TAPS + 0.5) * (len(window) - 1), 0, len(window) - 1)
    read = np.sinc(distance) * window[np.rint(at).astype(int)]
    read /= read.sum(axis=1, keepdims=True)
    dull = np.maximum(0.0, 1.0 - np.abs(distance) / _CENTRE)
    dull /= dull.sum(axis=1, keepdims=True)
    powers = fractions[:, None] ** np.arange(DEGREE_TERMS)
    both = [np.linalg.lstsq(powers, each, rcond=None)[0] for each in (read, read - dull)]
    return np.vstack(both)[:, ::-1].astype(np.float32)


class Tremulant:
    """One tremulant for the mix of one instrument; off until it is turned on."""

    def __init__(self, chosen: space.Tremulant, sample_rate: int, frames: int) -> None:
        self._rate = sample_rate
        self._frames = frames
        self._history = int(LONGEST_S * sample_rate) + TAPS + GRID
        self._heard = np.zeros((2, self._history + frames), np.float32)
        self._windows = np.lib.stride_tricks.sliding_window_view(self._heard, TAPS, axis=1)
        self._taps = _taps()
        self._powers = np.zeros((2, GRID, 2 * DEGREE_TERMS), np.float32)
        self._depth = self._fast = self._turned = 0.0
        self._mix = self._mix_before = 0.0
        """How much of it is heard at the end of a cell of the grid, and at its beginning."""
        self._wanted = self._wanted_fast = 0.0
        self._from = 0
        self._aims: deque[tuple[int, float, bool]] = deque()
        self._chosen: space.Tremulant | None = None
        self._begin = self._end = np.zeros((3, 1, 1))
        """What `_swung` returned at both ends of this cell of the grid."""
        self.use(chosen, 0)

    def use(self, chosen: space.Tremulant, frame: int) -> None:
        """Be as the settings say from a frame on; its depth stays unless they changed it."""
        before, self._chosen = self._chosen, chosen
        kind = ROTOR if chosen.kind == "rotor" else WIND
        slow_hz = kind.slow_hz if chosen.kind == "rotor" else chosen.rate_hz
        self._swing = kind._replace(
            rate_hz=chosen.rate_hz,
            slow_hz=slow_hz,
            level_db=chosen.level_db,
            pitch_cents=chosen.pitch_cents,
        )
        if before is None or chosen.depth != before.depth:
            self.aim(chosen.depth, frame)

    @property
    def active(self) -> bool:
        """Whether the mix passes through it."""
        return self._heard_now or self._wanted > OFF or bool(self._aims)

    @property
    def _heard_now(self) -> bool:
        return self._mix > 0.0 or self._mix_before > 0.0

    def aim(self, depth: float, frame: int, *, fast: bool = True) -> None:
        """Turn it on, up to depth 1, or off, depth 0, from a frame on; ``fast``: the rotor."""
        if not self.active:
            if depth <= OFF:
                return
            self._heard[:] = 0.0
        self._aims.append((frame, depth, fast))

    def apply(self, sides: NDArray[np.float32], frame: int) -> None:
        """Make a block that starts at an absolute frame swing, in place. Real-time safe."""
        heard, history, frames = self._heard, self._history, sides.shape[1]
        heard[:, history : history + frames] = sides
        start = 0
        while start < frames:
            inside = (frame + start) % GRID
            if inside == 0:
                self._step(frame + start)
            end = min(frames, start + GRID - inside)
            if self._heard_now:
                self._read(sides, start, end, inside)
            start = end
        heard[:, :history] = heard[:, frames : frames + history]

    def _step(self, frame: int) -> None:
        """Go on from the point of the grid at a frame to the next one."""
        while self._aims and self._aims[0][0] <= frame:
            _, self._wanted, fast = self._aims.popleft()
            self._wanted_fast = float(fast)
            if self._mix == 0.0:  # it starts again, and what it reads must have been heard
                self._from = frame + self._history
                self._depth, self._fast, self._turned = 0.0, self._wanted_fast, 0.0
        swing, step_s = self._swing, GRID / self._rate
        rising = swing.start_s if self._wanted > self._depth else swing.stop_s
        self._depth += (self._wanted - self._depth) * (1.0 - exp(-step_s / rising))
        if self._wanted <= OFF and self._depth < 10 * OFF:
            self._depth = 0.0
        towards = swing.start_s if self._wanted_fast > self._fast else swing.stop_s
        self._fast += (self._wanted_fast - self._fast) * (1.0 - exp(-step_s / towards))
        up = self._depth > 0.0 or self._wanted > OFF
        self._mix_before = self._mix
        if frame >= self._from:
            self._mix = min(1.0, max(0.0, self._mix + (step_s if up else -step_s) / FADE_S))
        hertz = swing.slow_hz + (swing.rate_hz - swing.slow_hz) * self._fast
        self._turned = (self._turned + hertz / self._rate * GRID) % 1.0
        self._begin, self._end = self._end, self._swung()

    def _swung(self) -> NDArray[np.float64]:
        """Return delay, gain of the treble beside 1, and gain of each side now, (3, S, 1)."""
        swing, depth = self._swing, self._depth
        # A delay that swings by this much shifts the pitch by half the swing at either peak.
        shift = exp(swing.pitch_cents / 2 * log(2) / 1200) - 1.0
        reach = depth * shift / (2 * pi * swing.rate_hz) * self._rate
        sides = []
        for side in range(2 if swing.apart else 1):  # where both swing alike, they share their taps
            angle = 2.0 * pi * (self._turned - side * swing.apart)
            up = depth * sin(angle) * log(10) / 40
            treble, gain = exp(swing.treble_db * up) - 1.0, exp(swing.level_db * up)
            sides.append((reach * (1.0 + cos(angle)), treble, gain))
        return np.array(sides).T[..., None]

    def _read(self, sides: NDArray[np.float32], start: int, end: int, inside: int) -> None:
        """Swing a part of a block that lies in one cell of the grid."""
        count, begin = end - start, self._begin
        if begin.shape != self._end.shape:  # the other kind was chosen
            begin = self._end
        along = _ALONG[inside : inside + count]
        delay, treble, gain = begin + (self._end - begin) * along
        rows = len(delay)
        whole = delay.astype(np.intp)
        powers = self._powers[:rows, :count]
        powers[..., 0] = 1.0
        powers[..., 1:DEGREE_TERMS] = (delay - whole)[..., None]
        np.multiply.accumulate(powers[..., :DEGREE_TERMS], axis=-1, out=powers[..., :DEGREE_TERMS])
        np.multiply(powers[..., :DEGREE_TERMS], treble[..., None], out=powers[..., DEGREE_TERMS:])
        taps = powers @ self._taps
        first = (self._history - TAPS + 1 + start) + _FRAMES[:count] - whole
        windows = self._windows
        if rows == 1:
            swung = np.einsum("tk,stk->st", taps[0], windows[:, first[0]])
        else:
            swung = np.empty((2, count), np.float32)
            for side in range(2):
                np.einsum("tk,tk->t", taps[side], windows[side, first[side]], out=swung[side])
        swung *= gain
        part = sides[:, start:end]
        if min(self._mix_before, self._mix) < 1.0:
            mix = self._mix_before + along * (self._mix - self._mix_before)
            swung -= part
            swung *= (0.5 - 0.5 * np.cos(pi * mix)).astype(np.float32)
            swung += part
        part[...] = swung
