"""The set-up of a stage: where the phone goes, and the drawing of it, to scale."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias
from xml.sax.saxutils import escape

from shoegoal.ladder.rules import Stage

# A pupil's step in the drawings; children differ, so the text is in steps.
STEP_M = 0.6
# The narrowest field of view of phones across the long side, and the share of it that is used,
# because nobody aims a phone exactly (common practice, no source).
HFOV_DEG, USED_SHARE = 60.0, 0.9
ASPECT = 16.0 / 9.0
MOST_TILT_DEG = 45
CHEST_HEIGHT_M, HIP_HEIGHT_M, KNEE_HEIGHT_M = 1.2, 0.8, 0.5
LEAST_BEHIND_M, MOST_BEHIND_M = 2.0, 6.0
BESIDE_MARKERS_M = 1.0
ASIDE_STEPS = 3  # so that the kicker does not hide the ball
DRIBBLE_STEPS = 4  # side of the square in which the ball is kept
Point: TypeAlias = tuple[float, float]


@dataclass(frozen=True, slots=True)
class PhonePlace:
    """A place for the phone, and what it then sees.

    Attributes
    ----------
    behind_steps : steps behind the kick spot; for touches, from the middle of the square.
    aside_steps : steps to the side of the kicking foot; drawn for the right foot.
    height_m : above the ground.
    x_m, y_m : the same place in the goal frame; for touches, in a frame whose origin is the middle
        of the square and whose y points to the phone.
    pan_deg : turn of the view from square at the goal line, to the left as the phone looks.
    tilt_deg : turn of the view downwards.
    """

    behind_steps: int
    aside_steps: int
    height_m: float
    x_m: float
    y_m: float
    pan_deg: float
    tilt_deg: float

    @property
    def edges_deg(self) -> tuple[float, float]:
        """Bearings of the picture's left and right edge, to the left of square."""
        half = HFOV_DEG / 2.0
        return self.pan_deg + half, self.pan_deg - half


def needed_points_m(stage: Stage) -> list[tuple[float, float, float]]:
    """Return the points (x, y, z) that must be in the picture.

    For shots: a metre beside each marker, a ball a metre up over the goal line, the kick spot, and
    the kicker's plant foot (half a metre beside and behind the ball). For touches: the corners
    of the square, and the middle up to the hips.
    """
    if stage.width_steps is None or stage.back_steps is None:
        half = DRIBBLE_STEPS * STEP_M / 2.0
        corners = [(x, y, 0.0) for x in (-half, half) for y in (-half, half)]
        return [*corners, (0.0, 0.0, HIP_HEIGHT_M)]
    beside = stage.width_steps * STEP_M / 2.0 + BESIDE_MARKERS_M
    back = stage.back_steps * STEP_M
    return [
        (-beside, 0.0, 0.0),
        (beside, 0.0, 0.0),
        (0.0, 0.0, 1.0),
        (0.0, back, 0.0),
        (-0.5, back + 0.5, 0.0),
    ]


def phone_place(stage: Stage) -> PhonePlace:
    """Find the nearest place, in whole steps behind the kick spot, with all needed points in view.

    The picture's long side is level. The points must be within `USED_SHARE` of the field of view,
    sideways and upright.
    """
    if stage.back_steps is None:
        aside, height, back = 0, KNEE_HEIGHT_M, 0.0
    else:
        aside, height, back = ASIDE_STEPS, CHEST_HEIGHT_M, stage.back_steps * STEP_M
    points = needed_points_m(stage)
    for behind in range(math.ceil(LEAST_BEHIND_M / STEP_M), int(MOST_BEHIND_M / STEP_M) + 1):
        x, y = aside * STEP_M, back + behind * STEP_M
        left_deg = [math.degrees(math.atan2(x - px, y - py)) for px, py, _ in points]
        pan = (max(left_deg) + min(left_deg)) / 2.0
        away = [(px - x, py - y, pz - height) for px, py, pz in points]
        for tilt in range(MOST_TILT_DEG + 1):
            if all(_is_in_picture(point, pan, tilt) for point in away):
                return PhonePlace(behind, aside, height, x, y, pan, float(tilt))
    raise AssertionError("every stage within its ranges has a place")


def _is_in_picture(away_m: tuple[float, float, float], pan_deg: float, tilt_deg: float) -> bool:
    """Whether a pinhole camera shows a point within the used share of the picture.

    Parameters
    ----------
    away_m : (x, y, z) from the phone.
    pan_deg, tilt_deg : turn to the left of square at the goal line, and downwards.
    """
    pan, tilt = math.radians(pan_deg), math.radians(tilt_deg)
    x, y, z = away_m
    right = x * math.cos(pan) - y * math.sin(pan)
    ahead = -x * math.sin(pan) - y * math.cos(pan)
    depth = ahead * math.cos(tilt) - z * math.sin(tilt)
    down = -ahead * math.sin(tilt) - z * math.cos(tilt)
    half_wide = USED_SHARE * math.tan(math.radians(HFOV_DEG / 2.0))
    return depth > 0 and abs(right) <= half_wide * depth and abs(down) <= half_wide / ASPECT * depth


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
    """Shapes on a piece of paper, the lowest first.

    Attributes
    ----------
    title : what it shows, for readers who cannot see it.
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


WIDTH_MM, PLAN_HEIGHT_MM, SIDE_HEIGHT_MM = 88.0, 150.0, 30.0
_DASHED = Pen(stroke=SOFT, width_mm=0.3, dash_mm=1.2)


@dataclass(frozen=True, slots=True)
class _Paper:
    """Maps metres of the goal frame to paper: the goal above, the phone below."""

    scale_mm: float
    zero_mm: Point

    def at(self, x_m: float, y_m: float) -> Point:
        return self.zero_mm[0] + self.scale_mm * x_m, self.zero_mm[1] + self.scale_mm * y_m


def plan_of(stage: Stage) -> Drawing:
    """Draw a stage from above: markers, steps, kick spot, phone, and what the phone sees."""
    place = phone_place(stage)
    if stage.width_steps is None or stage.back_steps is None:
        return _dribble_plan(place)
    half, back = stage.width_steps * STEP_M / 2.0, stage.back_steps * STEP_M
    top_m, bottom_m = 1.3, 1.5
    scale = min(PLAN_HEIGHT_MM / (top_m + place.y_m + bottom_m), WIDTH_MM / (2.0 * (half + 1.3)))
    paper = _Paper(scale, (WIDTH_MM / 2.0, top_m * scale))
    height = (top_m + place.y_m + bottom_m) * scale
    shapes: list[Shape] = [_ground(height), *_view(paper, place, height)]
    left, right, spot = paper.at(-half, 0), paper.at(half, 0), paper.at(0, back)
    shapes += [
        Path((paper.at(-half, 0), paper.at(half, 0)), Pen(width_mm=0.5)),
        Path((paper.at(0, 0), spot), _DASHED),
        *_steps(paper, (-half, 0.0), (half, 0.0), stage.width_steps),
        *_steps(paper, (0.0, 0.0), (0.0, back), stage.back_steps),
        *(_marker(at, side) for at, side in ((left, -1), (right, 1))),
        Label(
            (WIDTH_MM / 2.0, left[1] - 4.5), f"goal: {_steps_text(stage.width_steps)}", bold=True
        ),
        Label(
            (spot[0] + 3.0, (left[1] + spot[1]) / 2.0),
            _steps_text(stage.back_steps),
            3.2,
            "start",
            bold=True,
        ),
        Disc(spot, 1.5, Pen(fill="#ffffff", width_mm=0.4)),
        Label((spot[0] - 7.5, spot[1] + 1.1), "kick spot", 3.2, "end"),
        *_foot(paper.at(-0.32, back + 0.15)),
        *_phone_with_paces(paper, place, back),
    ]
    return Drawing("the set-up from above", WIDTH_MM, round(height, 2), tuple(shapes))


def side_of(stage: Stage) -> Drawing:
    """Draw the same from the side: how high the phone is and how far it is tilted."""
    place = phone_place(stage)
    far = place.y_m if stage.back_steps is not None else place.y_m + DRIBBLE_STEPS * STEP_M / 2.0
    scale = min((WIDTH_MM - 18.0) / far, 14.0)
    ground_mm = SIDE_HEIGHT_MM - 7.0
    phone: Point = (WIDTH_MM - 9.0, ground_mm - scale * place.height_m)
    tall = 2.0 * math.degrees(math.atan(math.tan(math.radians(HFOV_DEG / 2.0)) / ASPECT))
    low = math.tan(math.radians(place.tilt_deg + tall / 2.0))
    high = math.tan(math.radians(place.tilt_deg - tall / 2.0))
    foot = (phone[0] - scale * place.height_m / low, ground_mm)
    rise_mm = -high * (phone[0] - 4.0)  # of the upper edge, where the paper ends
    sky: tuple[Point, ...] = ((4.0, phone[1] - rise_mm),)
    if rise_mm > phone[1] - 2.0:
        sky = ((4.0, 2.0), (phone[0] + (phone[1] - 2.0) / high, 2.0))
    goal_mm = phone[0] - scale * place.y_m
    shapes: list[Shape] = [
        Path((phone, foot, (4.0, ground_mm), *sky), Pen(stroke=None, fill=VIEW), closed=True),
        Path(((2.0, ground_mm), (WIDTH_MM - 2.0, ground_mm)), Pen(stroke=SOFT)),
        Path(((phone[0], phone[1]), (phone[0], ground_mm)), Pen(width_mm=0.8, stroke=SOFT)),
        Path(
            (
                (phone[0] - 0.6, phone[1] - 1.4),
                (phone[0] + 0.6, phone[1] - 1.4),
                (phone[0] + 0.6, phone[1] + 1.4),
                (phone[0] - 0.6, phone[1] + 1.4),
            ),
            Pen(fill=INK),
            closed=True,
        ),
    ]
    if stage.back_steps is None:
        ball_mm = goal_mm
        names: tuple[tuple[float, str], ...] = ((goal_mm, "ball"),)
    else:
        ball_mm = goal_mm + scale * stage.back_steps * STEP_M
        names = ((goal_mm, "markers"), (ball_mm, "kick spot"))
        shapes.append(_cone((goal_mm, ground_mm)))
    shapes.append(Disc((ball_mm, ground_mm - 1.2), 1.2, Pen(fill="#ffffff")))
    shapes += [Label((x, ground_mm + 4.5), words, 2.9, "middle") for x, words in names]
    shapes.append(
        Label((WIDTH_MM - 2.0, phone[1] - 3.0), f"phone, {height_text(place)}", 2.9, "end")
    )
    return Drawing("the set-up from the side", WIDTH_MM, SIDE_HEIGHT_MM, tuple(shapes))


def height_text(place: PhonePlace) -> str:
    """Return the phone's height in words."""
    return "knee high" if place.height_m < 0.8 else "chest high"


def _dribble_plan(place: PhonePlace) -> Drawing:
    half = DRIBBLE_STEPS * STEP_M / 2.0
    top_m, bottom_m = 1.0, 1.2
    scale = min(100.0 / (half + top_m + place.y_m + bottom_m), WIDTH_MM / (2.0 * half + 2.0))
    paper = _Paper(scale, (WIDTH_MM / 2.0, (half + top_m) * scale))
    height = (half + top_m + place.y_m + bottom_m) * scale
    corners = tuple(
        paper.at(x, y) for x, y in ((-half, -half), (half, -half), (half, half), (-half, half))
    )
    middle = paper.at(0, 0)
    shapes: list[Shape] = [
        _ground(height),
        *_view(paper, place, height),
        Path(corners, Pen(stroke=INK, dash_mm=1.5), closed=True),
        Label(
            (WIDTH_MM / 2.0, corners[0][1] - 3.0),
            f"room: about {DRIBBLE_STEPS} by {DRIBBLE_STEPS} steps",
            bold=True,
        ),
        *_foot((middle[0] - 3.2, middle[1])),
        *_foot((middle[0] + 3.2, middle[1])),
        Disc(middle, 1.5, Pen(fill="#ffffff", width_mm=0.4)),
        *_phone_with_paces(paper, place, 0.0),
    ]
    return Drawing("the set-up from above", WIDTH_MM, round(height, 2), tuple(shapes))


def _ground(height_mm: float) -> Path:
    corners = ((0.0, 0.0), (WIDTH_MM, 0.0), (WIDTH_MM, height_mm), (0.0, height_mm))
    return Path(corners, Pen(stroke=None, fill=GROUND), closed=True)


def _view(paper: _Paper, place: PhonePlace, height_mm: float) -> Iterator[Shape]:
    """Draw the field of view, clipped to the paper."""
    phone = paper.at(place.x_m, place.y_m)
    outline = [phone, *(_at_edge(phone, deg) for deg in place.edges_deg)]
    left, right = outline[1], outline[2]
    corners = [
        corner for corner in ((0.0, 0.0), (WIDTH_MM, 0.0)) if _between(phone, left, corner, right)
    ]
    yield Path((phone, left, *corners, right), Pen(stroke=None, fill=VIEW), closed=True)


def _at_edge(phone: Point, left_deg: float) -> Point:
    """Return where a line of sight leaves the paper, above or at its sides."""
    dx, dy = -math.sin(math.radians(left_deg)), -math.cos(math.radians(left_deg))
    to_top = phone[1] / -dy if dy < -1e-9 else math.inf
    to_side = (
        (phone[0] / -dx if dx < 0 else (WIDTH_MM - phone[0]) / dx) if abs(dx) > 1e-9 else math.inf
    )
    reach = min(to_top, to_side)
    return phone[0] + reach * dx, phone[1] + reach * dy


def _between(phone: Point, left: Point, corner: Point, right: Point) -> bool:
    def bearing(point: Point) -> float:
        return math.atan2(point[0] - phone[0], phone[1] - point[1])

    return bearing(left) < bearing(corner) < bearing(right)


def _steps(paper: _Paper, begin_m: Point, end_m: Point, steps: float) -> Iterator[Shape]:
    """Draw a short stroke across the path after every step."""
    along = (end_m[0] - begin_m[0], end_m[1] - begin_m[1])
    length = math.hypot(*along)
    across = (-along[1] / length, along[0] / length)
    for number in range(1, math.ceil(steps)):
        share = number / steps
        x, y = paper.at(begin_m[0] + share * along[0], begin_m[1] + share * along[1])
        yield Path(
            ((x - across[0], y - across[1]), (x + across[0], y + across[1])), Pen(width_mm=0.4)
        )


def _marker(at: Point, side: int) -> Path:
    """Draw a marker from above: its inner edge is where the goal ends."""
    far = at[0] + side * 2.6
    return Path(
        ((at[0], at[1] - 1.3), (far, at[1] - 1.3), (far, at[1] + 1.3), (at[0], at[1] + 1.3)),
        Pen(fill=ACCENT, stroke=ACCENT),
        closed=True,
    )


def _cone(at: Point) -> Path:
    return Path(
        ((at[0] - 1.3, at[1]), (at[0], at[1] - 2.8), (at[0] + 1.3, at[1])),
        Pen(fill=ACCENT, stroke=ACCENT),
        closed=True,
    )


def _foot(at: Point) -> Iterator[Shape]:
    x, y = at
    outline = ((-0.8, 2.0), (-1.0, -0.6), (-0.3, -2.2), (0.6, -2.0), (0.9, -0.4), (0.6, 2.0))
    yield Path(
        tuple((x + dx, y + dy) for dx, dy in outline), Pen(fill=SOFT, stroke=SOFT), closed=True
    )


def _phone_with_paces(paper: _Paper, place: PhonePlace, back_m: float) -> Iterator[Shape]:
    """Draw the phone, turned as it looks, and the path to it in steps."""
    phone, corner = paper.at(place.x_m, place.y_m), paper.at(0.0, place.y_m)
    spot = paper.at(0.0, back_m)
    if place.aside_steps:
        yield Path((spot, corner, phone), _DASHED)
        yield from _steps(paper, (0.0, place.y_m), (place.x_m, place.y_m), place.aside_steps)
        yield Label(
            ((corner[0] + phone[0]) / 2.0, corner[1] + 4.6), f"{place.aside_steps} to the side", 2.9
        )
    else:
        yield Path((spot, phone), _DASHED)
    yield from _steps(paper, (0.0, back_m), (0.0, place.y_m), place.behind_steps)
    word = "behind" if place.aside_steps else "in front"
    side, anchor = (-1, "end") if place.aside_steps else (1, "start")
    middle = (spot[1] + corner[1]) / 2.0 + 1.1
    yield Label((corner[0] + side * 3.0, middle), f"{place.behind_steps} steps {word}", 2.9, anchor)
    turn = math.radians(place.pan_deg)
    wide, deep = (math.cos(turn), -math.sin(turn)), (-math.sin(turn), -math.cos(turn))
    yield Path(
        tuple(
            (phone[0] + a * wide[0] + b * deep[0], phone[1] + a * wide[1] + b * deep[1])
            for a, b in ((-2.6, -0.6), (2.6, -0.6), (2.6, 0.6), (-2.6, 0.6))
        ),
        Pen(fill=INK),
        closed=True,
    )
    yield Label(
        (
            phone[0] + (6.0 if place.aside_steps else 0.0),
            phone[1] + (1.1 if place.aside_steps else 5.2),
        ),
        "phone",
        3.2,
        "start" if place.aside_steps else "middle",
        bold=True,
    )


def _steps_text(steps: float) -> str:
    return f"{steps:g} of your steps"
