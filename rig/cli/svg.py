"""Own the drawing of axes, lines and words as SVG text; never know what is drawn.

The text is the same for the same input: coordinates are rounded, nothing is dated or random, and no
font, style sheet or script is fetched from anywhere.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from rig.arrays import FloatArray

INK = "#22303a"
QUIET = "#5d6b76"
GRID = "#e2e7eb"
PAPER = "#ffffff"
FONT = "Helvetica, Arial, 'DejaVu Sans', sans-serif"


@dataclass(frozen=True)
class Stroke:
    """How a line is drawn; `dash` is an SVG dash pattern, none for a solid line."""

    colour: str
    width: float = 1.5
    dash: str | None = None


@dataclass(frozen=True)
class Axis:
    """A range of values and the pixels that its ends stand at."""

    low: float
    high: float
    low_px: float
    high_px: float

    def px(self, value: FloatArray) -> FloatArray:
        """Convert values to pixels, any shape."""
        share = (value - self.low) / (self.high - self.low)
        return self.low_px + share * (self.high_px - self.low_px)

    def at(self, value: float) -> float:
        """Convert one value to its pixel."""
        return float(self.px(np.asarray(value, dtype=float)))

    def ticks(self, about: int) -> list[tuple[float, str]]:
        """List round values within the range, about so many, with their labels."""
        step = _round_step((self.high - self.low) / about)
        places = max(0, -math.floor(math.log10(step) + 1e-9))
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [
            (index * step, f"{index * step + 0.0:.{places}f}") for index in range(first, last + 1)
        ]


def _round_step(rough: float) -> float:
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= rough * 0.999)


@dataclass
class Drawing:
    """An SVG drawing of a size in pixels, filled piece by piece and then written as text."""

    width: int
    height: int
    title: str
    description: str
    pieces: list[str] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, stroke: Stroke) -> None:
        """Draw a straight line between two points."""
        self.pieces.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {_drawn(stroke)}/>'
        )

    def box(self, x: float, y: float, width: float, height: float, fill: str) -> None:
        """Fill a rectangle."""
        self.pieces.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" '
            f'fill="{fill}"/>'
        )

    def path(self, x: FloatArray, y: FloatArray, stroke: Stroke, clip: str) -> None:
        """Draw a line through points, broken where a coordinate is not finite."""
        words: list[str] = []
        pen = "M"
        for at_x, at_y in zip(x.tolist(), y.tolist(), strict=True):
            if math.isfinite(at_x) and math.isfinite(at_y):
                words.append(f"{pen}{at_x:.1f} {at_y:.1f}")
                pen = "L"
            else:
                pen = "M"
        self.pieces.append(
            f'<path d="{"".join(words)}" fill="none" stroke-linejoin="round" '
            f'clip-path="url(#{clip})" {_drawn(stroke)}/>'
        )

    def dots(self, x: FloatArray, y: FloatArray, radius: float, fill: str, clip: str) -> None:
        """Draw a dot at each point."""
        self.pieces.append(f'<g fill="{fill}" clip-path="url(#{clip})">')
        for at_x, at_y in zip(x.tolist(), y.tolist(), strict=True):
            self.pieces.append(f'<circle cx="{at_x:.1f}" cy="{at_y:.1f}" r="{radius:g}"/>')
        self.pieces.append("</g>")

    def words(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: int = 13,
        fill: str = INK,
        anchor: str = "start",
        bold: bool = False,
        turned: bool = False,
    ) -> None:
        """Write a text on its base line; `turned` reads upwards."""
        weight = ' font-weight="bold"' if bold else ""
        turn = f' transform="rotate(-90 {x:.1f} {y:.1f})"' if turned else ""
        self.pieces.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" fill="{fill}" '
            f'text-anchor="{anchor}"{weight}{turn}>{escape(printable(text))}</text>'
        )

    def clip(self, name: str, x: float, y: float, width: float, height: float) -> None:
        """Name a rectangle outside which lines are not drawn."""
        self.pieces.append(
            f'<clipPath id="{name}"><rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" '
            f'height="{height:.1f}"/></clipPath>'
        )

    def as_text(self) -> str:
        """Return the drawing as an SVG document."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" '
            f'width="{self.width}" height="{self.height}" role="img" '
            f"aria-label={quoteattr(printable(self.title))} font-family={quoteattr(FONT)}>"
        )
        return "\n".join(
            [
                '<?xml version="1.0" encoding="UTF-8"?>',
                head,
                f"<title>{escape(printable(self.title))}</title>",
                f"<desc>{escape(printable(self.description))}</desc>",
                f'<rect width="{self.width}" height="{self.height}" fill="{PAPER}"/>',
                *self.pieces,
                "</svg>",
                "",
            ]
        )


def _drawn(stroke: Stroke) -> str:
    dash = f' stroke-dasharray="{stroke.dash}"' if stroke.dash else ""
    return f'stroke="{stroke.colour}" stroke-width="{stroke.width:g}"{dash}'


def printable(text: str) -> str:
    """Replace what an XML document cannot hold, such as control characters, by a question mark."""
    return "".join(
        letter if letter.isprintable() and not "\ud800" <= letter <= "\udfff" else "?"
        for letter in text
    )


def spread_out(wanted_px: Sequence[float], gap_px: float, lowest_px: float) -> list[float]:
    """Move positions apart so that neighbours are `gap_px` apart, none beyond `lowest_px`.

    The order stays, and each stands as near to where it was wanted as those above it allow.
    """
    order = sorted(range(len(wanted_px)), key=lambda index: wanted_px[index])
    placed = list(wanted_px)
    last = -math.inf
    for index in order:
        placed[index] = max(placed[index], last + gap_px)
        last = placed[index]
    limit = lowest_px
    for index in reversed(order):
        placed[index] = min(placed[index], limit)
        limit = placed[index] - gap_px
    return placed
