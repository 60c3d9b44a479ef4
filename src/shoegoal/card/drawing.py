"""A drawing in millimetres of paper, and how it becomes SVG. The PDF draws the same shapes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias
from xml.sax.saxutils import escape

Point: TypeAlias = tuple[float, float]

INK, SOFT, VIEW, GROUND, ACCENT = "#1d2a33", "#6b7a85", "#dbe9f4", "#f3f6ee", "#b3462b"


@dataclass(frozen=True, slots=True)
class Pen:
    """How a shape is drawn: colours as ``#rrggbb`` (None: not at all), line width and dash, mm."""

    stroke: str | None = INK
    fill: str | None = None
    width_mm: float = 0.35
    dash_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Path:
    """Straight lines from point to point, closed or open."""

    points_mm: tuple[Point, ...]
    pen: Pen
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Disc:
    """A circle."""

    centre_mm: Point
    radius_mm: float
    pen: Pen


@dataclass(frozen=True, slots=True)
class Label:
    """A line of words; ``anchor`` is start, middle or end of it."""

    at_mm: Point
    words: str
    size_mm: float = 3.2
    anchor: str = "middle"
    colour: str = INK
    bold: bool = False


Shape: TypeAlias = Path | Disc | Label


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes on a piece of paper; the first lies lowest.

    Attributes
    ----------
    title : what it shows, for who cannot see it.
    """

    title: str
    width_mm: float
    height_mm: float
    shapes: tuple[Shape, ...]


def svg_of(drawing: Drawing) -> str:
    """Write a drawing as SVG 1.1, to stand within a page."""
    inside = "".join(_element(shape) for shape in drawing.shapes)
    size = f"{drawing.width_mm:g} {drawing.height_mm:g}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {size}" '
        f'width="{drawing.width_mm:g}mm" height="{drawing.height_mm:g}mm">'
        f"<title>{escape(drawing.title)}</title>{inside}</svg>"
    )


def _element(shape: Shape) -> str:
    match shape:
        case Path(points, pen, closed):
            name = "polygon" if closed else "polyline"
            where = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
            return f'<{name} points="{where}" {_pen(pen)}/>'
        case Disc((x, y), radius, pen):
            return f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius:.2f}" {_pen(pen)}/>'
        case Label((x, y), words, size, anchor, colour, bold):
            weight = ' font-weight="bold"' if bold else ""
            return (
                f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:g}" text-anchor="{anchor}" '
                f'fill="{colour}"{weight}>{escape(words)}</text>'
            )


def _pen(pen: Pen) -> str:
    words = [f'fill="{pen.fill or "none"}"', f'stroke="{pen.stroke or "none"}"']
    words.append(f'stroke-width="{pen.width_mm:g}"')
    if pen.dash_mm is not None:
        words.append(f'stroke-dasharray="{pen.dash_mm:g}"')
    return " ".join(words)
