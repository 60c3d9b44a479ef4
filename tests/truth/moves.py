"""What people do with balls in a set: the records that the plan is made of."""

from __future__ import annotations

from dataclasses import dataclass

from truth.arrays import Floats
from truth.motion import Run
from truth.scenes import ShotPart

KICKER, FRIEND = 0, 1


@dataclass(frozen=True, slots=True)
class Kick:
    """One shot as it was played; inner frame."""

    ball: int
    contact_s: float
    run: Run
    shot: ShotPart
    start_m: Floats


@dataclass(frozen=True, slots=True)
class Hold:
    """A ball in hand from pick_s to put_s, where it is set down or let go in the air."""

    ball: int
    pick_s: float
    put_s: float
    from_m: Floats
    to_m: Floats
    who: int = KICKER


@dataclass(frozen=True, slots=True)
class Tap:
    """A ball that is sent on its way without being shot at the goal."""

    ball: int
    time_s: float
    run: Run
    kind: str = ""
    who: int = KICKER


@dataclass(frozen=True, slots=True)
class Dribble:
    """A ball led by foot along corner points (n, 2)."""

    ball: int
    begin_s: float
    end_s: float
    line_m: Floats


@dataclass(frozen=True, slots=True)
class Topple:
    """A marker (0 left, 1 right) knocked along `way` (2,), and when it is stood up again."""

    marker: int
    time_s: float
    way: Floats
    up_s: float | None


@dataclass(frozen=True, slots=True)
class Aside:
    """Play with the ball that is no shot; a count may ask about it where `may_ask`."""

    kind: str
    time_s: float
    may_ask: bool = False
