"""The evaluation sets: what practice at home does to a count, each trouble with its own clips.

Every entry of `TROUBLES` is drawn once in each split, in yards that the other split never sees.
The same name gives the same scene for ever; nothing here is rendered (see `catalogue`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from truth.drafts import Draft
from truth.yards import Yard

Painter = Literal["plain", "traced"]
Table = dict[str, Any]
JUDGE_OR_REFUSE = "judge or refuse"


@dataclass(frozen=True, slots=True)
class Trouble:
    """One kind of set.

    Attributes
    ----------
    nuisance : what makes it hard; rows of the accuracy table go by it.
    draw : the tables that differ from a plain set in that yard.
    good : nothing about the film itself makes shots hard to see.
    suits : which yards it can happen in.
    painters : who draws it in the develop and in the report split.
    """

    name: str
    nuisance: str
    draw: Callable[[Draft], Table]
    good: bool = True
    suits: Callable[[Yard], bool] = lambda yard: True
    painters: tuple[Painter, Painter] = ("plain", "plain")


def outdoors(yard: Yard) -> bool:
    """No side walls, and daylight."""
    return yard.ground != "indoor"


def slow(yard: Yard) -> bool:
    """Ground that stops a ball soon."""
    return yard.ground in ("grass", "gravel")


def slow_and_walled(yard: Yard) -> bool:
    """The same with something behind the goal that stops the ball."""
    return slow(yard) and yard.back != "open"


def slow_and_soft(yard: Yard) -> bool:
    """The same, and the ball stays there instead of coming back."""
    return slow(yard) and yard.back in ("hedge", "net")


def nothing_behind(yard: Yard) -> bool:
    """Room for a camera behind the goal, and a ball that does not run into it."""
    return yard.back == "open"


def wind_blows(yard: Yard) -> bool:
    """A hedge that stirs, on a day with shade."""
    return yard.back == "hedge"


def plain(d: Draft) -> Table:
    """An ordinary set from behind."""
    return {"shots": d.shots(), "camera": d.behind()}


def seen_from(view: Callable[[Draft], Table], honest: str = "judge") -> Callable[[Draft], Table]:
    """An ordinary set from another place."""
    return lambda d: {"shots": d.shots(), "camera": view(d), "honest": honest}


def pictured(honest: str = "judge", **more: Any) -> Callable[[Draft], Table]:
    """An ordinary set in another picture."""
    return lambda d: plain(d) | {"picture": d.picture(**more), "honest": honest}


def fetched(how: str, through_goal: bool = False) -> Callable[[Draft], Table]:
    """Every ball comes back in the same way."""

    def draw(d: Draft) -> Table:
        shots = d.shots(fetch=(how,), through_goal=through_goal)
        table = {"shots": shots, "camera": d.behind()}
        return table | {"friend": d.friend()} if how in ("rolled", "kicked", "thrown") else table

    return draw


def one_shot(number: int, **change: Any) -> Callable[[Draft], Table]:
    """An ordinary set of which one shot is out of the ordinary."""

    def draw(d: Draft) -> Table:
        table = plain(d)
        table["shots"][number - 1] |= change
        return table

    return draw


def many_shots(d: Draft) -> Table:
    """The stage of ten or more, most balls waiting at the kick line."""
    return {
        "shots": d.shots(14, fetch=("in a row", "next_ball", "carry", "in a row")),
        "camera": d.behind(),
    }


def close_calls(d: Draft) -> Table:
    """Balls that pass the markers by a hand's breadth."""
    shots = d.shots()
    inside = d.yard.half_m - d.yard.ball_radius_m
    for i, off in ((1, -0.08), (2, 0.08), (3, -0.06), (4, 0.10)):
        shots[i] |= {"aim_x_m": round(d.side() * (inside + off), 3)}
    return {"shots": shots, "camera": d.behind(), "ground": "grass"}


def at_a_marker(how: str, topples: bool) -> Callable[[Draft], Table]:
    """Two balls hit a marker."""

    def draw(d: Draft) -> Table:
        shots = d.shots(fetch=("carry", "in a row"))
        for number in (1, 3):
            shots[number] |= {"aim_x_m": d.side() * d.yard.half_m, "seek": how, "speed_mps": 6.2}
        return {"shots": shots, "camera": d.behind(), "goal": {"topples": topples}}

    return draw


def stopping(how: str) -> Callable[[Draft], Table]:
    """Balls that stop on the line, just over it or short of it."""

    def draw(d: Draft) -> Table:
        shots = d.shots(fetch=("carry", "in a row"))
        inside = d.yard.half_m - d.yard.ball_radius_m - 0.15
        for number in (1, 3):
            shots[number] |= {"aim_x_m": d.between(-inside, inside)}
            if how == "short":
                share = d.between(0.55, 0.85)
                speed = (2.0 * d.yard.roll_mps2 * d.yard.back_m * share) ** 0.5
                shots[number] |= {"speed_mps": round(speed, 2)}
            else:
                shots[number] |= {"seek": how}
        return {"shots": shots, "camera": d.behind()}

    return draw


def in_the_air(low: float, high: float, speed_mps: float) -> Callable[[Draft], Table]:
    """Balls that fly or bounce to the goal."""

    def draw(d: Draft) -> Table:
        shots = d.shots()
        for shot in shots[1:]:
            shot |= {"loft_deg": d.between(low, high), "speed_mps": speed_mps}
        return {"shots": shots, "camera": d.behind()}

    return draw


def blocked(d: Draft) -> Table:
    """A friend stands in the way of two shots."""
    shots = d.shots(fetch=("carry", "in a row"))
    for number in (1, 3):
        shots[number] |= {"blocked": True, "aim_x_m": d.between(-0.4, 0.4), "speed_mps": 6.5}
    return {"shots": shots, "camera": d.behind(), "friend": d.friend()}


def crossing(kind: str) -> Callable[[Draft], Table]:
    """Somebody goes right through the picture, three times."""

    def draw(d: Draft) -> Table:
        person = kind == "person"
        moments = ((1, 2.4), (2, -2.2), (4, 2.2))
        depths = (0.35 * d.yard.back_m, 0.6 * d.yard.back_m, d.yard.back_m + 1.3)
        crossers = [
            {
                "kind": kind,
                "when": when,
                "y_m": round(y, 3),
                "from_left": bool(d.rng.random() < 0.5),
                "speed_mps": d.between(1.3, 1.9) if person else d.between(2.2, 3.2),
                "height_m": d.between(1.2, 1.8) if person else d.between(0.4, 0.6),
            }
            for when, y in zip(moments, depths, strict=True)
        ]
        return {"shots": d.shots(), "camera": d.behind(), "crossers": crossers}

    return draw


def bumped(d: Draft) -> Table:
    """The phone is knocked between two shots and looks elsewhere from then on."""
    turn = [d.side() * d.between(2.0, 5.0), d.between(-1.0, 1.0), d.between(-2.0, 2.0)]
    camera = d.behind() | {"bump_when": (3, 3.0), "bump_deg": turn}
    return {"shots": d.shots(), "camera": camera, "honest": "judge up to the bump"}


def shaken(degrees: float, honest: str) -> Callable[[Draft], Table]:
    """A phone in the hand."""
    return lambda d: {
        "shots": d.shots(4),
        "camera": d.behind() | {"shake_deg": degrees},
        "honest": honest,
    }


def jumping(ev: float) -> Callable[[Draft], Table]:
    """The exposure jumps while a ball is on its way."""
    return lambda d: plain(d) | {"picture": d.picture(jump_when=(3, 0.25), jump_ev=ev)}


def windy(d: Draft) -> Table:
    """Leaves and their shade stir all the time."""
    light = {"sun": 3.0, "sky": 0.8, "haze_deg": 0.5, "sun_height_deg": 50.0, "cloud": 0.3}
    return plain(d) | {"weather": {"wind": 1.3, "dapple": 0.75}, "light": light}


def cut(film: Table) -> Callable[[Draft], Table]:
    """The film lacks something."""
    return lambda d: plain(d) | {"film": film}


def dusk(d: Draft) -> Table:
    """Late: little light, much noise, long exposures."""
    light = {"sun": 0.05, "sky": 0.35, "haze_deg": 8.0, "cloud": 0.9}
    picture = d.picture(noise=4.5, shutter_s=1 / 30, exposure_ev=-0.9, crf=27)
    return plain(d) | {"light": light, "picture": picture, "honest": JUDGE_OR_REFUSE}


def lamps(d: Draft) -> Table:
    """Lamps that flicker against the frame rate."""
    picture = d.picture(shutter_s=1 / 240, fps=30.0)
    return plain(d) | {"weather": {"flicker": 0.35, "mains_hz": 50.0}, "picture": picture}


def green_on_grass(d: Draft) -> Table:
    """A ball of nearly the colour of the lawn."""
    return plain(d) | {"ball": {"design": "green"}, "ground": "grass", "honest": JUDGE_OR_REFUSE}


def wall_close_behind(d: Draft) -> Table:
    """A wall so near that the ball is back before the eye has followed."""
    wall = {"kind": "brick", "y_m": -0.45, "height_m": 2.2}
    shots = d.shots(fetch=("in a row", "carry"), through_goal=False)
    return {"shots": shots, "camera": d.behind(), "walls": [wall], "props": 0, "ground": "grass"}


def upright_phone(d: Draft) -> Table:
    """The phone stands on its short side, a little further back."""
    picture = d.picture(width_px=720, height_px=1280, rotation_deg=90)
    camera = d.behind(back_m=d.between(3.6, 4.6), size_px=(720, 1280))
    return {"shots": d.shots(), "camera": camera, "picture": picture}


def tilted_phone(d: Draft) -> Table:
    """The phone leans."""
    return plain(d) | {"camera": d.behind() | {"roll_deg": d.side() * d.between(6.0, 10.0)}}


T: Painter = "traced"
P: Painter = "plain"
TROUBLES: tuple[Trouble, ...] = (
    Trouble("behind a", "none", plain, painters=(T, P)),
    Trouble("rolled back", "ball sent back by somebody", fetched("rolled"), suits=slow_and_soft),
    Trouble("person crossing", "somebody crosses", crossing("person"), suits=outdoors),
    Trouble("marker hit, in", "marker hit", at_a_marker("marker in", False), painters=(P, T)),
    Trouble("balls waiting", "balls waiting", fetched("next_ball"), painters=(P, T)),
    Trouble("balls in a row", "balls waiting", fetched("in a row"), painters=(P, P)),
    Trouble("stops on the line", "stops near the line", stopping("on the line"), suits=slow),
    Trouble("lofted", "in the air", in_the_air(16, 26, 8.0), suits=slow_and_walled),
    Trouble("camera bumped", "camera bumped", bumped, good=False),
    Trouble("fluff and retake", "retake after a fluff", one_shot(3, fluff=True), suits=slow),
    Trouble("shaken hard", "shake", shaken(2.2, JUDGE_OR_REFUSE), good=False),
    Trouble("starts mid-shot", "cut film", cut({"begins": (1, 0.35)}), good=False),
    Trouble("oblique a", "none", seen_from(Draft.oblique), painters=(P, T)),
    Trouble("blocked", "blocked", blocked, suits=slow_and_walled),
    Trouble(
        "through the goal on foot",
        "fetched through the goal",
        fetched("dribble", through_goal=True),
        suits=slow,
    ),
    Trouble("thrown back", "ball sent back by somebody", fetched("thrown"), suits=slow_and_soft),
    Trouble("exposure up", "exposure jump", jumping(0.9)),
    Trouble("wind", "wind", windy, suits=wind_blows, painters=(T, T)),
    Trouble("side a", "side view", seen_from(Draft.from_the_side, JUDGE_OR_REFUSE), good=False),
    Trouble(
        "facing",
        "facing view",
        seen_from(Draft.facing, JUDGE_OR_REFUSE),
        good=False,
        suits=nothing_behind,
    ),
    Trouble("marker knocked over", "marker hit", at_a_marker("marker out", True), painters=(P, T)),
    Trouble("kicked back", "ball sent back by somebody", fetched("kicked"), suits=slow_and_soft),
    Trouble("dog crossing", "somebody crosses", crossing("dog"), suits=outdoors, painters=(P, T)),
    Trouble("close calls", "close calls", close_calls, suits=slow, painters=(P, T)),
    Trouble("just over the line", "stops near the line", stopping("just over"), suits=slow),
    Trouble("short", "stops near the line", stopping("short"), suits=slow, painters=(P, T)),
    Trouble("bouncing", "in the air", in_the_air(9, 13, 9.0), suits=slow_and_walled),
    Trouble("in front of the line", "kicked from too near", one_shot(3, closer_m=1.0)),
    Trouble("shaken a little", "shake", shaken(0.25, "judge"), good=False),
    Trouble("ends mid-flight", "cut film", cut({"ends": (5, 0.3)}), good=False),
    Trouble(
        "paused",
        "cut film",
        cut({"gaps": [{"begins": (2, 2.5), "ends": (3, -1.2), "closed": False}]}),
        good=False,
    ),
    Trouble(
        "cut between shots",
        "cut film",
        cut({"gaps": [{"begins": (2, 2.5), "ends": (3, -1.2), "closed": True}]}),
        good=False,
    ),
    Trouble(
        "cut in a shot",
        "cut film",
        cut({"gaps": [{"begins": (4, 0.3), "ends": (4, 1.3), "closed": True}]}),
        good=False,
    ),
    Trouble("exposure down", "exposure jump", jumping(-0.9)),
    Trouble("dusk", "dusk", dusk, good=False, suits=outdoors),
    Trouble("flicker", "flicker", lamps),
    Trouble(
        "smear", "lens smear", pictured(JUDGE_OR_REFUSE, smear=0.85), good=False, painters=(T, P)
    ),
    Trouble("green on grass", "green ball", green_on_grass, good=False, suits=slow),
    Trouble("wall close behind", "wall close behind", wall_close_behind, suits=slow),
    Trouble("behind b", "none", plain),
    Trouble("behind c", "none", plain, painters=(P, T)),
    Trouble("behind d", "none", plain),
    Trouble("behind e", "none", plain, suits=outdoors),
    Trouble("oblique b", "none", seen_from(Draft.oblique)),
    Trouble("side b", "side view", seen_from(Draft.from_the_side, JUDGE_OR_REFUSE), good=False),
    Trouble("phone on the ground", "low phone", seen_from(lambda d: d.behind(0.32)), good=False),
    Trouble("phone high", "none", seen_from(lambda d: d.behind(1.8))),
    Trouble("phone near", "none", seen_from(lambda d: d.behind(None, 2.0)), suits=outdoors),
    Trouble("phone far", "small in the picture", seen_from(lambda d: d.behind(None, 6.0))),
    Trouble("tilted", "none", tilted_phone),
    Trouble("upright", "none", upright_phone, suits=outdoors),
    Trouble("24 a second", "formats", pictured(fps=24.0)),
    Trouble("60 a second", "formats", pictured(fps=60.0)),
    Trouble("uneven rate", "formats", pictured(variable_rate=True)),
    Trouble("HEVC", "formats", pictured(codec="libx265", crf=28, preset="ultrafast")),
    Trouble("1080p", "formats", pictured(width_px=1920, height_px=1080)),
    Trouble("4K", "formats", pictured(width_px=3840, height_px=2160, fps=24.0, crf=30)),
    Trouble("compressed hard", "compressed hard", pictured(crf=38), good=False, painters=(P, T)),
    Trouble("fourteen shots", "none", many_shots),
)
