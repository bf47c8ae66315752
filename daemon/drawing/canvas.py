"""A drawing surface: panels with labelled axes, on paper.

Units: pixels of the finished picture, from the top left corner; a panel maps its own units.
Everything is drawn twice as large and reduced at the end, which smooths every edge. The letters
are large enough to be read when the picture is as wide as a page.
"""

import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from PIL import Image, ImageDraw, ImageFont

from daemon.drawing.palette import GRID, INK, PANEL, PAPER, SOFT, Colour

Box = tuple[float, float, float, float]
TITLE, HEADING, TEXT = 38, 27, 22
"""Sizes of letters."""
_OVERSIZE = 2


class Canvas:
    """A picture in the making."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.image = Image.new("RGB", (width * _OVERSIZE, height * _OVERSIZE), PAPER)
        self._draw = ImageDraw.Draw(self.image)
        self._fonts: dict[float, ImageFont.ImageFont | ImageFont.FreeTypeFont] = {}

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = TEXT,
        ink: Colour = INK,
        at: str = "la",
    ) -> None:
        """Write ``words``; ``at`` is the anchor: l, m, r across, then a, m, s down."""
        font = self._font(size)
        self._draw.text((x * _OVERSIZE, y * _OVERSIZE), words, font=font, fill=ink, anchor=at)

    def width_of(self, words: str, size: float = TEXT) -> float:
        """Return how wide ``words`` would be."""
        return self._font(size).getlength(words) / _OVERSIZE

    def box(
        self, box: Box, *, fill: Colour | None = None, edge: Colour | None = None, round_: float = 0
    ) -> None:
        """Draw a rectangle."""
        corners = [value * _OVERSIZE for value in box]
        if corners[2] >= corners[0] and corners[3] >= corners[1]:
            self._draw.rounded_rectangle(
                corners, radius=round_ * _OVERSIZE, fill=fill, outline=edge, width=_OVERSIZE
            )

    def line(self, points: Iterable[tuple[float, float]], ink: Colour, width: float = 1) -> None:
        """Draw a line through ``points``."""
        flat = [(x * _OVERSIZE, y * _OVERSIZE) for x, y in points]
        self._draw.line(flat, fill=ink, width=round(width * _OVERSIZE), joint="curve")

    def area(self, points: Iterable[tuple[float, float]], fill: Colour) -> None:
        """Fill the polygon with these corners."""
        self._draw.polygon([(x * _OVERSIZE, y * _OVERSIZE) for x, y in points], fill=fill)

    def dot(self, x: float, y: float, radius: float, fill: Colour) -> None:
        """Draw a disc."""
        self._draw.ellipse(
            [value * _OVERSIZE for value in (x - radius, y - radius, x + radius, y + radius)],
            fill=fill,
        )

    def paste(self, picture: Image.Image, box: Box) -> None:
        """Fill ``box`` with a picture, stretched."""
        left, top, right, bottom = (round(value * _OVERSIZE) for value in box)
        if right > left and bottom > top:
            size = (right - left, bottom - top)
            self.image.paste(picture.resize(size, Image.Resampling.BILINEAR), (left, top))

    def png(self) -> bytes:
        """Return the finished picture as a PNG file."""
        finished = self.image.resize((self.width, self.height), Image.Resampling.BOX)
        content = io.BytesIO()
        finished.save(content, "PNG", optimize=False)
        return content.getvalue()

    def _font(self, size: float) -> ImageFont.ImageFont | ImageFont.FreeTypeFont:
        if size not in self._fonts:
            try:
                self._fonts[size] = ImageFont.load_default(size * _OVERSIZE)
            except TypeError:  # before Pillow 10.1, on Debian 12
                self._fonts[size] = ImageFont.truetype("DejaVuSans.ttf", round(size * _OVERSIZE))
        return self._fonts[size]


@dataclass(frozen=True)
class Axis:
    """The range of an axis, with ticks and their labels."""

    low: float
    high: float
    ticks: Sequence[float]
    labels: Sequence[str]
    log: bool = False

    def part(self, value: float) -> float:
        """Return where ``value`` lies, 0 at the low end, 1 at the high one."""
        if self.log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)


class Panel:
    """A framed part of the canvas with an axis each way.

    Parameters
    ----------
    canvas, box
        Where it is drawn.
    across, up
        The axes.
    title
        Stands above it, on the left.
    unit
        What the vertical axis counts, above its labels.
    """

    def __init__(
        self, canvas: Canvas, box: Box, across: Axis, up: Axis, *, title: str, unit: str = ""
    ) -> None:
        self.canvas, self.box, self.across, self.up = canvas, box, across, up
        left, top, right, bottom = box
        canvas.text(left, top - 16, title, size=HEADING, at="ls")
        canvas.text(left - 12, top - 16, unit, ink=SOFT, at="rs")
        canvas.box(box, fill=PANEL)
        for tick, label in zip(up.ticks, up.labels, strict=True):
            canvas.line([(left, self.y(tick)), (right, self.y(tick))], GRID)
            canvas.text(left - 12, self.y(tick), label, ink=SOFT, at="rm")
        for tick, label in zip(across.ticks, across.labels, strict=True):
            canvas.line([(self.x(tick), top), (self.x(tick), bottom)], GRID)
            canvas.text(self.x(tick), bottom + 10, label, ink=SOFT, at="ma")

    def x(self, value: float) -> float:
        """Return the pixel column of a value, kept inside the panel."""
        left, _, right, _ = self.box
        return left + min(max(self.across.part(value), 0.0), 1.0) * (right - left)

    def y(self, value: float) -> float:
        """Return the pixel row of a value, kept inside the panel."""
        _, top, _, bottom = self.box
        return bottom - min(max(self.up.part(value), 0.0), 1.0) * (bottom - top)

    def frame(self) -> None:
        """Draw the frame over what is in the panel."""
        self.canvas.box(self.box, edge=SOFT)
