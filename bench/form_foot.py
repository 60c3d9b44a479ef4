"""Learns how shoes look to the pose model, from kicks whose plant foot is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.stats import t as students_t

from evaluation import ROOT
from form_kicks import KnownKick
from shoegoal.cues.cues import heel_to_toe_px, unsure_at_contact
from shoegoal.cues.foot import FOOT_NAME, Foot, fit_foot, load_foot, seen_marks
from shoegoal.cues.legs import Standing, legs_named, standing_foot
from shoegoal.cues.reading import FREEDOM, SIGMA_WIDTH, read_kick
from truth.bodies.answers import marks_of

F64 = npt.NDArray[np.float64]
FOOT_FILE = ROOT / "src" / "shoegoal" / "cues" / FOOT_NAME
ROUNDS = 3
GROWS = np.arange(0.0, 2.6, 0.25)
WILD = 0.03  # residuals beyond so many leg lengths lose their say


@dataclass(frozen=True, slots=True, eq=False)
class KnownFoot:
    """A plant foot as it was seen, and as it stands: right, ahead, length m, turn, outside."""

    kick: KnownKick
    seen: Standing
    at: F64
    turn: float
    away: float

    @property
    def leg_m(self) -> float:
        """Length of the leg as the tool has it, at the ball's distance."""
        _, ball_px = self.kick.space.ball_px
        return self.seen.leg_px / ball_px * self.kick.space.ball_diameter_m

    def off(self, foot: Foot) -> F64:
        """(3, 2) by how much the marks show elsewhere, in leg lengths."""
        shown = seen_marks(self.kick.space, foot, self.at[None], np.array([self.turn]), self.away)[
            0
        ]
        gap: F64 = (self.seen.points_px - shown) / self.seen.leg_px
        return gap


def known_foot(kick: KnownKick) -> KnownFoot | None:
    """A kick's plant foot; None where it is hidden or was taken for the other one."""
    seen = standing_foot(kick.poses, kick.contact_s)
    if seen is None:
        return None
    ways = legs_named(kick.poses, seen, kick.contact_s)
    seen = replace(seen, side=min(ways, key=lambda side: ways[side][0]))
    if seen.side.value == kick.truth["foot"]:
        return None
    person, true = kick.clip.person(), kick.truth["answers"]
    marks = marks_of(person)
    heel, toe = (person.points_m[marks[f"{end}_l"]].mean(axis=0) for end in ("heel", "toe"))
    away = -1.0 if kick.truth["foot"] == "right" else 1.0
    at = np.array(
        [
            away * true["plant_beside"] / 100,
            true["plant_fore_aft"] / 100,
            np.hypot(*(toe - heel)[:2]),
        ]
    )
    return KnownFoot(kick, seen, at, away * float(np.radians(true["plant_to_target"])), away)


def learn_foot(kicks: Sequence[KnownKick]) -> Foot:
    """Marks, their noise, and the length of shoes, from kicks in their true scenes."""
    feet = [foot for kick in kicks if (foot := known_foot(kick)) is not None]
    legs = np.array([foot.at[2] / foot.leg_m for foot in feet])
    length, spread = (
        float(np.median(legs)),
        1.4826 * float(np.median(np.abs(legs - np.median(legs)))),
    )
    old = load_foot()

    def off(marks: F64) -> F64:
        shape = replace(old, marks=marks.reshape(3, 3))
        return np.stack([one.off(shape) for one in feet])

    def flat(marks: F64) -> F64:
        return off(marks).ravel()

    best = least_squares(flat, old.marks.ravel(), loss="soft_l1", f_scale=WILD)
    marks = best.x.reshape(3, 3)
    noise, grows = _noise(np.abs(off(best.x)), np.array([one.seen.unsure for one in feet]))
    strike = _strike_noise(kicks, marks[1, 0] - marks[0, 0], grows)
    found = Foot(marks, noise, grows, length, spread, strike)
    for _ in range(ROUNDS):
        found = replace(found, noise=found.noise * _narrow_by(feet, found))
    return found


def _noise(gaps: F64, unsure: F64) -> tuple[F64, float]:
    """Noise (3,) of the marks and how it grows with the network's doubt, by maximum likelihood.

    Parameters
    ----------
    gaps : (N, 3, 2) how far the marks are off, leg lengths. unsure : (N,), over the usual.
    """
    best: tuple[float, F64, float] | None = None
    for grows in GROWS:
        doubt = unsure[:, None, None] ** grows
        noise = np.quantile((gaps / doubt).transpose(1, 0, 2).reshape(3, -1), 0.683, axis=1)
        width = noise[:, None] * doubt / SIGMA_WIDTH
        cost = float(np.sum(np.log(width) - students_t.logpdf(gaps / width, FREEDOM)))
        if best is None or cost < best[0]:
            best = (cost, noise, grows)
    assert best is not None
    return best[1], best[2]


def _narrow_by(feet: Sequence[KnownFoot], foot: Foot) -> float:
    """By how much the fits' standard deviations are too small to hold 68 and 95 of 100 errors."""
    off = []
    for one in feet:
        fit = fit_foot(one.kick.space, one.seen, one.away, foot)
        if fit is not None:
            fitted = np.array([fit.right_m, fit.ahead_m, fit.turn_rad])
            off.append((fitted - [*one.at[:2], one.turn]) / fit.sigmas)
    return float(np.mean(np.quantile(np.abs(off), [0.683, 0.954]) / [1, 2]))


def _strike_noise(kicks: Sequence[KnownKick], share: float, grows: float) -> float:
    """How far the way from heel to toe at contact is off, in leg lengths.

    Parameters
    ----------
    share : of a shoe's length between the places that the pose model calls its heel and its toe.
    grows : see `Foot`.
    """
    off = []
    for known in kicks:
        kick = read_kick(known.space, known.contact_s, known.poses).kick
        if kick is None or kick.standing is None or kick.side.value != known.truth["foot"]:
            continue
        joints_px = known.truth["joints_px"]
        near = min(joints_px, key=lambda time: abs(float(time) - known.truth["contact_s"]))
        letter = known.truth["foot"][0]
        heel, toe = (np.array(joints_px[near][f"{end}_{letter}"]) for end in ("heel", "toe"))
        doubt = unsure_at_contact(kick) ** grows
        off.append((heel_to_toe_px(kick) - share * (toe - heel)) / kick.standing.leg_px / doubt)
    return float(np.quantile(np.abs(off), 0.683))


def write_foot(foot: Foot, path: Path = FOOT_FILE) -> None:
    """Write the tool's file, its heading kept."""
    heading = [line for line in path.read_text(encoding="utf-8").splitlines() if line[:1] == "#"]
    rows = ", ".join(f"[{', '.join(f'{x:.3f}' for x in mark)}]" for mark in foot.marks)
    numbers = [
        f"marks = [{rows}]",
        f"noise = [{', '.join(f'{x:.4f}' for x in foot.noise)}]",
        f"grows = {foot.grows:.2f}",
        f"length = {foot.length:.3f}",
        f"length_spread = {foot.length_spread:.3f}",
        f"strike_noise = {foot.strike_noise:.3f}",
    ]
    path.write_text("\n".join([*heading, "", *numbers, ""]), encoding="utf-8")
