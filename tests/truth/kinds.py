"""Evaluation sets for what a count got wrong before: each kind in several yards of each split.

Every entry of `KINDS` comes in as many variants as `VIEWS` has, in yards of their own, seen from
another place each time; one of them is traced. What happens is drawn from the set's seed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from truth.drafts import Draft, Table
from truth.evaluation import Painter, Trouble, slow
from truth.yards import Yard

View = Callable[[Draft], Table]
VIEWS: tuple[View, ...] = (
    Draft.behind,
    Draft.oblique,
    lambda d: d.behind(d.between(1.6, 1.9)),
)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of set; `draw` says what happens in a set seen from a view."""

    name: str
    draw: Callable[[Draft, View], Table]
    suits: Callable[[Yard], bool] = lambda yard: True


def inside(d: Draft, clear_m: float = 0.25) -> float:
    """An aim well between the markers."""
    most = max(0.05, d.yard.half_m - d.yard.ball_radius_m - clear_m)
    return d.between(-most, most)


def wide_shots(d: Draft, view: View) -> Table:
    """Four of five shots pass beside the goal, by a hand or by a lot."""
    shots = d.shots(fetch=("in a row", "in a row", "in a row", "carry"))
    for number in (0, 1, 3, 4):
        off = d.yard.half_m + d.yard.ball_radius_m + 0.3 + d.between(0.0, 1.1)
        shots[number] |= {"aim_x_m": round(d.side() * off, 3)}
    return {"shots": shots, "camera": view(d)}


def tapped_over(d: Draft, view: View) -> Table:
    """Shots that die short, are fetched and tapped on over the line by the kicker."""
    shots = d.shots(fetch=("carry", "in a row", "carry", "in a row"))
    for number in (0, 2, 3):
        short = d.between(0.3, 1.5)
        shots[number] |= {"aim_x_m": inside(d), "stops_m": -short, "then": "tapped on"}
    return {"shots": shots, "camera": view(d)}


def tapped_across(d: Draft, view: View) -> Table:
    """Balls tapped near the goal by whoever fetches them: kicker or friend, in or out."""
    shots = d.shots(fetch=("carry", "in a row", "carry", "in a row"))
    who = ("tapped across", "tapped by the friend")
    for turn, number in enumerate((0, 1, 3)):
        stops = d.between(0.35, 0.7) if turn % 2 == 0 else -d.between(0.3, 0.9)
        beside = d.side() * (d.yard.half_m + d.between(0.45, 0.9))
        shots[number] |= {
            "aim_x_m": inside(d) if turn % 2 == 0 else round(beside, 3),
            "stops_m": stops,
            "then": who[int(d.rng.integers(2))] if turn else who[1],
        }
    return {"shots": shots, "camera": view(d), "friend": d.friend()}


def sent_back(d: Draft, view: View) -> Table:
    """Balls come back to the kick spot in every way there is."""
    ways = ["kick_back", "tapped back", "dribble", "carry", "rolled", "kicked", "thrown"]
    first = int(d.rng.integers(len(ways)))
    shots = d.shots(6, fetch=tuple(ways[first:] + ways[:first]), through_goal=False)
    for shot in shots:
        # Slow enough to lie free of what is behind the goal, where a foot gets behind the ball.
        shot |= {"stops_m": d.between(0.35, 0.75)}
    return {"shots": shots, "camera": view(d), "friend": d.friend()}


def another_lies_there(d: Draft, view: View) -> Table:
    """Makes well inside, while the ball before still lies before or behind the goal."""
    shots = d.shots(6, fetch=("in a row", "in a row", "carry"))
    side = d.side()
    for number, shot in enumerate(shots):
        apart = d.between(0.25, 0.6) * (side if number % 2 else -side)
        shot |= {"aim_x_m": round(apart * min(1.0, d.yard.half_m), 3)}
    for number in (0, 3):
        stops = -d.between(0.35, 1.4) if d.rng.random() < 0.7 else d.between(0.4, 0.8)
        shots[number] |= {"stops_m": stops}
    return {"shots": shots, "camera": view(d)}


def tapped_along(d: Draft, view: View) -> Table:
    """Waiting balls are tapped along the kick line to the spot."""
    shots = d.shots(fetch=("tapped along", "tapped along", "carry", "tapped along"))
    return {"shots": shots, "camera": view(d)}


def stops_at_the_line(d: Draft, view: View) -> Table:
    """Balls that stop 5 to 30 cm short or just over, or meet a marker and stop."""
    shots = d.shots(fetch=("carry", "in a row", "in a row", "carry"))
    r = d.yard.ball_radius_m
    shots[0] |= {"aim_x_m": inside(d), "stops_m": -(r + d.between(0.05, 0.3))}
    shots[1] |= {"aim_x_m": inside(d), "stops_m": r + d.between(0.02, 0.3)}
    shots[2] |= {"aim_x_m": d.side() * d.yard.half_m, "stops_m": 0.4, "seek": "marker out"}
    shots[3] |= {"aim_x_m": inside(d), "stops_m": -(r + d.between(0.05, 0.3))}
    return {"shots": shots, "camera": view(d)}


def short_in_view(d: Draft, view: View) -> Table:
    """Slow balls that stop well before the line and stay there for a while."""
    shots = d.shots(fetch=("in a row", "in a row", "carry"))
    for number in (0, 2, 4):
        aim = inside(d) if number else d.side() * (d.yard.half_m + d.between(0.2, 0.6))
        shots[number] |= {"aim_x_m": round(aim, 3), "stops_m": -d.between(0.5, 2.6)}
    return {"shots": shots, "camera": view(d)}


def fluffed(d: Draft, view: View) -> Table:
    """Kicks that barely move the ball: put back, or kicked again where it lies."""
    shots = d.shots(fetch=("in a row", "carry", "in a row", "carry"))
    for number in (1, 2, 4):
        stays = bool(d.rng.random() < 0.5)
        shots[number] |= {"fluff": True, "fluff_m": d.between(0.5, 1.6), "stays": stays}
    return {"shots": shots, "camera": view(d)}


def kicker_before_the_ball(d: Draft, view: View) -> Table:
    """Seen from straight behind, the kicker hides the ball until just before each kick."""
    shots = d.shots(4, fetch=("carry",), through_goal=False)
    for shot in shots:
        shot |= {"idle_s": d.between(1.4, 2.6)}
    return {"shots": shots, "camera": d.straight_behind(), "kicker": {"straight": True}}


def strange_balls(d: Draft, view: View) -> Table:
    """Balls of another game roll through the yard, some of them over the goal line."""
    shots = d.shots(4, fetch=("in a row", "carry", "in a row"))
    moments = ((0, d.between(0.2, 0.9)), (1, d.between(2.2, 3.0)), (3, -d.between(1.4, 2.2)))
    return {"shots": shots, "camera": view(d), "crossers": [ball(d, when) for when in moments]}


def ball(d: Draft, when: tuple[int, float]) -> Table:
    """A ball that rolls through: across, or along the shots' own way."""
    along = bool(d.rng.random() < 0.5)
    turn = d.between(60.0, 120.0) if along else d.between(-25.0, 25.0)
    return {
        "kind": "ball",
        "when": when,
        "x_m": d.between(-1.0, 1.0) * d.yard.half_m,
        "y_m": d.between(0.0, 0.8) * d.yard.back_m,
        "from_left": bool(d.rng.random() < 0.5),
        "speed_mps": d.between(1.2, 4.5),
        "turn_deg": turn,
    }


def nobody_shoots(d: Draft, view: View) -> Table:
    """People bounce a ball, roll one about or have none; the film ends before the first kick."""
    shots = d.shots(1) + d.shots(1)
    shots[0] |= {"idle_s": d.between(9.0, 12.0)}
    kinds = [str(k) for k in d.rng.permutation(["ball bouncer", "ball", "person", "ball bouncer"])]
    crossers = []
    for number, kind in enumerate(kinds[:3]):
        when = (1, -d.between(2.4, 3.2) - 2.6 * number)
        one = ball(d, when) | {"kind": kind}
        if kind != "ball":
            one |= {"speed_mps": d.between(1.2, 1.9), "height_m": d.between(1.2, 1.8)}
        crossers.append(one)
    film = {"ends": (1, -0.9)}
    return {"shots": shots, "camera": view(d), "crossers": crossers, "film": film}


def on_target(more: int) -> Callable[[Draft, View], Table]:
    """Plain shots, and a stage that asks for as many makes as there are, or one more."""

    def draw(d: Draft, view: View) -> Table:
        shots = d.shots(6, fetch=("in a row", "in a row", "carry", "in a row", "next_ball"))
        makes = sum(abs(s["aim_x_m"]) < d.yard.half_m - d.yard.ball_radius_m for s in shots)
        rule = {"makes": makes + more, "shots": len(shots)}
        return {"shots": shots, "camera": view(d), "rule": rule}

    return draw


def room_to_stop(yard: Yard) -> bool:
    """Ground that stops a ball soon, and room behind the line for one to lie."""
    return slow(yard) and yard.behind_m > 1.1


KINDS: tuple[Kind, ...] = (
    Kind("wide in full view", wide_shots),
    Kind("short, then tapped over the line", tapped_over, slow),
    Kind("tapped near the goal", tapped_across, room_to_stop),
    Kind("sent or brought back", sent_back, room_to_stop),
    Kind("another ball lies there", another_lies_there, slow),
    Kind("tapped along the kick line", tapped_along),
    Kind("stops short, over or at a marker", stops_at_the_line, room_to_stop),
    Kind("stops short in plain view", short_in_view, slow),
    Kind("fluffed and taken again", fluffed, slow),
    Kind("kicker before the ball", kicker_before_the_ball),
    Kind("target just met", on_target(0)),
    Kind("target just missed", on_target(1)),
    Kind("strange balls", strange_balls),
    Kind("nobody shoots", nobody_shoots),
)


def seen_so(kind: Kind, view: View) -> Callable[[Draft], Table]:
    """What happens in a set of a kind, seen from one view."""
    return lambda d: kind.draw(d, view)


def variants() -> list[Trouble]:
    """Every kind seen from every place, as sets to be put into yards."""
    out = []
    for turn, kind in enumerate(KINDS):
        for number, view in enumerate(VIEWS):
            # One of the three is traced, another one in the other split.
            first, second = (number + turn) % len(VIEWS) == 0, (number + turn) % len(VIEWS) == 1
            painters: tuple[Painter, Painter] = (
                "traced" if first else "plain",
                "traced" if second else "plain",
            )
            name = f"{kind.name}, {'abc'[number]}"
            draw = seen_so(kind, view)
            out.append(Trouble(name, kind.name, draw, True, kind.suits, painters))
    return out
