"""Runs: a ball's path from one contact with a person to the next.

A run is the chain of segments in which the ball ran on or met something that took speed from it.
Only this run decides whether a shot was made: a ball that stops and is tapped over the line begins
another run.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from shoegoal.scene.goal import GoalFrame
from shoegoal.shots.rebounds import Between
from shoegoal.shots.segments import Segment
from shoegoal.shots.story import Story

F64 = npt.NDArray[np.float64]

STEP_S = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """A ball's path between two contacts with a person.

    Attributes
    ----------
    numbers : of its segments in the story.
    segments : these.
    chances : of each segment but the first, the probability that it goes on with the run.
    joints_s : when each of these joints was; met : which of them took speed from the ball.
    before : what it came from (a stay or another run's end), None for a ball that came into sight.
    start_s : when it was struck: the joint with what came before, or its first sighting.
    p_begins : probability that it begins here.
    p_new : probability that the ball came into sight on its way, from nothing that was seen.
    """

    numbers: tuple[int, ...]
    segments: tuple[Segment, ...]
    chances: tuple[float, ...]
    joints_s: tuple[float, ...]
    met: tuple[bool, ...]
    before: Segment | None
    start_s: float
    p_begins: float
    p_new: float

    @property
    def end_s(self) -> float:
        """Time of its last sighting."""
        return self.segments[-1].end_s

    @property
    def ball_log_odds(self) -> float:
        """How surely this is a ball, by its most convincing segment."""
        return max(s.ball_log_odds for s in self.segments)

    def until(self, k: int) -> Run:
        """Return the same run up to its segment ``k``, and no further."""
        return replace(
            self,
            numbers=self.numbers[: k + 1],
            segments=self.segments[: k + 1],
            chances=self.chances[:k],
            joints_s=self.joints_s[:k],
            met=self.met[:k],
        )

    def trajectory_m(self, goal: GoalFrame) -> tuple[F64, F64, npt.NDArray[np.int64]]:
        """Return times (T,), places (T, 3) in the goal frame, segments (T,) of each."""
        times, places, which = [], [], []
        begins = [min(self.start_s, self.segments[0].start_s), *self.joints_s]
        ends = [*self.joints_s, self.segments[-1].end_s]
        stretches = zip(self.segments, begins, ends, strict=True)
        for k, (segment, since_s, end_s) in enumerate(stretches):
            until_s = max(end_s, since_s)
            t = np.append(np.arange(since_s, until_s, STEP_S), until_s)
            times.append(t)
            places.append(goal.to_goal(segment.stretch.centre_m(t)))
            which.append(np.full(len(t), k))
        return np.concatenate(times), np.concatenate(places), np.concatenate(which)


def runs_of(story: Story, least_begins: float = 0.02) -> list[Run]:
    """Every run that may begin, in order of time.

    Parameters
    ----------
    story : of the clip.
    least_begins : less likely beginnings are left out.
    """
    found = []
    for j, segment in enumerate(story.segments):
        if segment.lies:
            continue
        p = story.p_begins(j)
        if p >= least_begins:
            found.append(_run_from(story, j, p))
    return sorted(found, key=lambda run: run.start_s)


def _run_from(story: Story, first: int, p_begins: float) -> Run:
    numbers, chances, joints, met = [first], [], [], []
    while True:
        i = numbers[-1]
        onward = story.onward[i]
        j = int(np.argmax(onward))
        if onward[j] < 0.5 or j in numbers:
            break
        kind = Between.RAN_ON if story.between[i, j, 0] >= story.between[i, j, 1] else Between.MET
        numbers.append(j)
        chances.append(float(onward[j]))
        joints.append(float(story.joints_s[i, j, kind]))
        met.append(kind is Between.MET)
        if story.segments[j].lies:
            break
    before = _struck_from(story, first)
    at_s = story.segments[first].start_s
    if before is not None:
        at_s = float(story.joints_s[before, first, Between.KICKED])
    return Run(
        tuple(numbers),
        tuple(story.segments[k] for k in numbers),
        tuple(chances),
        tuple(joints),
        tuple(met),
        None if before is None else story.segments[before],
        at_s,
        p_begins,
        float(story.follows[-1, first]),
    )


def _struck_from(story: Story, first: int) -> int | None:
    """Return what a run was struck from, where that is likelier than nothing known."""
    kicked = story.follows[:-1, first] * story.between[:, first, Between.KICKED]
    i = int(np.argmax(kicked))
    return i if kicked[i] > 0.5 * max(1e-9, story.p_begins(first)) else None
