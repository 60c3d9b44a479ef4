"""SVG elements: lines, shapes and text with their own colours, and classes for style sheets."""

from __future__ import annotations

from html import escape

from shoegoal.pictures.marks import CALL_COLOURS
from shoegoal.types import Call

INK = "#202020"


def line(
    css: str, x1: float, y1: float, x2: float, y2: float, thickness: float, colour: str = INK
) -> str:
    """Write a line; a way is dashed."""
    dashes = ' stroke-dasharray="3 5"' if css == "way" else ""
    return (
        f'<line class="{css}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
        f' stroke="{colour}" stroke-width="{thickness}"{dashes}/>'
    )


def rectangle(css: str, x: float, y: float, width: float, height: float, colour: str = INK) -> str:
    """Write a filled rectangle."""
    return (
        f'<rect class="{css}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"'
        f' fill="{colour}"/>'
    )


def text(
    x: float, y: float, words: str, *,
    anchor: str = "middle", size: float = 15, weight: str = "normal", colour: str = INK,
) -> str:  # fmt: skip
    """Write one line of text on its base line."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}"'
        f' font-weight="{weight}" fill="{colour}">{escape(words)}</text>'
    )


def dot(x: float, y: float, call: Call, *, is_open: bool = False) -> str:
    """Write a call's own shape: make a disc, miss a cross, unsure a diamond; hollow if open."""
    colour, css = colour_of(call), f"dot {call.value}{' open' if is_open else ''}"
    match call:
        case Call.MAKE:
            fill = f'fill="{"none" if is_open else colour}" stroke="{colour}" stroke-width="2"'
            return f'<circle class="{css}" cx="{x:.1f}" cy="{y:.1f}" r="9" {fill}/>'
        case Call.MISS:
            path, thickness = f"M{x - 7:.1f} {y - 7:.1f} l14 14 m0 -14 l-14 14", 5
        case Call.UNSURE:
            path, thickness = f"M{x:.1f} {y - 11:.1f} l11 11 l-11 11 l-11 -11 z", 4
    return (
        f'<path class="{css}" d="{path}" fill="none" stroke="{colour}"'
        f' stroke-width="{2 if is_open else thickness}" stroke-linecap="round"/>'
    )


def colour_of(call: Call) -> str:
    """Colour of a call as CSS writes it."""
    blue, green, red = CALL_COLOURS[call]
    return f"#{red:02x}{green:02x}{blue:02x}"


def document(width: float, height: float, title: str, parts: str) -> bytes:
    """Write a file on white ground, in UTF-8."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}"'
        f' font-family="sans-serif" role="img"><title>{escape(title)}</title>'
        f'<rect width="100%" height="100%" fill="white"/>{parts}</svg>\n'
    ).encode()
