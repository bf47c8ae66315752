"""What a block costs against voices x partials: a straight line down to the fixed cost.

Part of `make bench`. Draws what it measured, and the line, into ``bench-cost.png``.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

from pathlib import Path
from typing import NamedTuple

import numpy as np

from daemon.drawing.canvas import TITLE, Axis, Canvas, Panel
from daemon.drawing.palette import INK, SOFT, Colour
from tests.bench.anchors import median_us
from tests.support.busy_instrument import RATE, busy_instrument

FRAMES = 128
VOICES = (1, 2, 4, 8, 16, 32, 64, 128)
PARTIALS: dict[int, Colour] = {
    8: (226, 172, 58),
    16: (128, 168, 176),
    32: (38, 112, 128),
    64: (112, 52, 116),
}
_WIDTH, _HEIGHT = 1400, 750


class Point(NamedTuple):
    """One load and its cost."""

    voices: int
    partials: int
    us: float

    @property
    def load(self) -> int:
        """Partials in all."""
        return self.voices * self.partials


class Line(NamedTuple):
    """Microseconds a block: so much for itself, for each voice, and for each partial."""

    fixed_us: float
    voice_us: float
    partial_us: float
    rms_us: float
    determination: float

    def at(self, voices: float, partials: int) -> float:
        return self.fixed_us + voices * (self.voice_us + partials * self.partial_us)


def measured(rounds: int = 3) -> list[Point]:
    """Return every load with the best of some medians, taken in turns: neighbours come and go."""
    instruments = {(v, p): busy_instrument(v, p, FRAMES) for p in PARTIALS for v in VOICES}
    out = np.zeros((FRAMES, 2), np.float32)
    best = dict.fromkeys(instruments, np.inf)
    for _ in range(rounds):
        for shape, instrument in instruments.items():
            took = median_us(lambda each=instrument: each.render(out), 0.06)  # type: ignore[misc]
            best[shape] = min(best[shape], took)
    return [Point(*shape, float(us)) for shape, us in best.items()]


def fitted(points: list[Point]) -> Line:
    """Return the fit of least squares, each point weighed by its own size.

    Else the largest loads alone would decide.
    """
    voices = np.array([point.voices for point in points], float)
    loads = np.array([point.load for point in points], float)
    times = np.array([point.us for point in points])
    columns = np.stack([np.ones_like(loads), voices, loads], axis=1)
    terms, *_ = np.linalg.lstsq(columns / times[:, None], np.ones(len(times)), rcond=None)
    left = times - columns @ terms
    rest = float(np.square(left).sum() / np.square(times - times.mean()).sum())
    fixed, voice, partial = map(float, terms)
    return Line(fixed, voice, partial, float(np.sqrt(np.square(left).mean())), 1 - rest)


def draw(points: list[Point], line: Line) -> bytes:
    """Return the picture: the whole range, and its lower end."""
    canvas = Canvas(_WIDTH, _HEIGHT)
    canvas.text(96, 50, f"What a block of {FRAMES} frames costs", size=TITLE, at="ls")
    canvas.text(
        96,
        80,
        f"{line.fixed_us:.1f} microseconds, {line.voice_us:.2f} for each voice and "
        f"{line.partial_us:.4f} for each of its partials; "
        f"a block lasts {FRAMES / RATE * 1e6:,.0f}",
        ink=SOFT,
        at="ls",
    )
    for box, most, title in (
        ((96, 160, 680, 620), 8192, "all loads"),
        ((776, 160, 1360, 620), 512, "the lower end"),
    ):
        _panel(canvas, points, line, box, most, title)
    x = 96.0
    canvas.text(x, 716, "partials a voice:", ink=SOFT, at="lm")
    x += canvas.width_of("partials a voice:") + 22
    for partials, colour in PARTIALS.items():
        canvas.dot(x, 716, 6, colour)
        canvas.text(x + 12, 716, f"{partials}", ink=INK, at="lm")
        x += 72
    canvas.text(x, 716, "(dots: measured; lines: the fit)", ink=SOFT, at="lm")
    return canvas.png()


def _panel(
    canvas: Canvas,
    points: list[Point],
    line: Line,
    box: tuple[float, float, float, float],
    most: int,
    title: str,
) -> None:
    shown = [point for point in points if point.load <= most]
    highest = max(point.us for point in shown)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500) if highest / s <= 9)
    ups = [step * n for n in range(int(highest / step) + 2)]
    across = Axis(
        0, most, [most * n // 4 for n in range(5)], [f"{most * n // 4}" for n in range(5)]
    )
    panel = Panel(
        canvas,
        box,
        across,
        Axis(0, ups[-1], ups, [f"{up}" for up in ups]),
        title=title,
        unit="µs",
    )
    for partials, colour in PARTIALS.items():
        voices = min(most // partials, VOICES[-1])
        ends = ((0, line.at(0, partials)), (voices * partials, line.at(voices, partials)))
        canvas.line([(panel.x(load), panel.y(us)) for load, us in ends], colour, 2)
    for point in shown:
        canvas.dot(panel.x(point.load), panel.y(point.us), 5, PARTIALS[point.partials])
    panel.frame()
    canvas.text(box[2], box[3] + 38, "voices x partials", ink=SOFT, at="ra")


def main() -> None:
    """Print the line, and draw it."""
    points = measured()
    line = fitted(points)
    furthest = max(points, key=lambda p: abs(p.us / line.at(p.voices, p.partials) - 1))
    print(
        f"\ncost of a block of {FRAMES} frames, {len(points)} loads from "
        f"{min(p.load for p in points)} to {max(p.load for p in points)} partials: "
        f"{line.fixed_us:.1f} µs + {1000 * line.voice_us:.0f} ns a voice + "
        f"{1000 * line.partial_us:.2f} ns a partial\n"
        f"  residual {line.rms_us:.2f} µs (root mean square), R² {line.determination:.4f}; "
        f"furthest from it: {furthest.voices} x {furthest.partials}, {furthest.us:.1f} µs where "
        f"the line has {line.at(furthest.voices, furthest.partials):.1f}"
    )
    picture = Path("bench-cost.png")
    picture.write_bytes(draw(points, line))
    print(f"  drawn in {picture}")


if __name__ == "__main__":
    main()
