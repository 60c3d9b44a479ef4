"""One story of the ball: which segments follow one another, all ways weighed together.

Every segment goes on in at most one other, and comes from at most one. What happened between two of
them, a wall's rebound for instance, is weighed in `shoegoal.shots.rebounds`. All ways to pair ends
with beginnings are weighed together: exactly where few compete, by belief propagation where many
do (Williams and Lau 2014).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.shots.rebounds import NEVER, OVERLAP_S, Between, link_scores
from shoegoal.shots.segments import Segment
from shoegoal.shots.weights import Weights

F64 = npt.NDArray[np.float64]

LONGEST_GAP_S = 8.0  # after which a moving ball's end says nothing about the next
LONGEST_HIDDEN_S = 20.0  # after that, a ball that seemed to leave is hardly still there
EXACT_UP_TO = 11  # competing beginnings; with more, belief propagation
SWEEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Story:
    """All stories at once.

    Attributes
    ----------
    segments : of the clip, in order of their start.
    follows : (N + 1, N) probability that segment j follows segment i; the last row is a beginning
        out of nothing.
    between : (N, N, 4) probability of each `Between`, given that j follows i.
    joints_s : (N, N, 4) when it happened.
    onward : (N, N) probability that j goes on with the run of i: it ran on, or met something.
    """

    segments: tuple[Segment, ...]
    follows: F64
    between: F64
    joints_s: F64
    onward: F64

    def p_begins(self, j: int) -> float:
        """Probability that a contact, or nothing known, came before a segment: a run begins."""
        return float(np.clip(1 - self.onward[:, j].sum(), 0.0, 1.0))


def tell_story(segments: Sequence[Segment], weights: Weights) -> Story:
    """Weigh all the ways in which segments may follow one another.

    Parameters
    ----------
    segments : in order of their start.
    weights : learnt.
    """
    n = len(segments)
    scores = np.full((n, n, len(Between)), NEVER)
    joints = np.full((n, n, len(Between)), np.nan)
    for i, j in candidate_pairs(segments):
        scores[i, j], joints[i, j] = link_scores(segments[i], segments[j], weights)
    whole = np.logaddexp.reduce(scores, axis=2)
    with np.errstate(over="ignore"):
        between = np.exp(scores - whole[:, :, None])
    follows = matchings(np.maximum(whole, NEVER))
    between[whole <= NEVER / 2] = 0.0
    onward = follows[:-1] * (between[:, :, Between.RAN_ON] + between[:, :, Between.MET])
    return Story(tuple(segments), follows, between, joints, onward)


def candidate_pairs(segments: Sequence[Segment]) -> list[tuple[int, int]]:
    """Return pairs that may follow one another by their times alone."""
    found = []
    for i, a in enumerate(segments):
        # A stay of which the end was not seen ends at the latest at the clip's end.
        until_s = a.latest_s + LONGEST_HIDDEN_S if a.lies else a.end_s + LONGEST_GAP_S
        for j, b in enumerate(segments):
            if i == j or b.start_s < a.start_s or b.start_s < a.end_s - OVERLAP_S:
                continue
            if b.start_s > until_s:
                break
            found.append((i, j))
    return found


def matchings(scores: F64) -> F64:
    """Probabilities of all ways to pair ends with beginnings, at most one each.

    Parameters
    ----------
    scores : (N, M) log odds of each pair over both being left alone.

    Returns
    -------
    (N + 1, M): P(i is paired with j); the last row, that j is left alone.
    """
    n, m = scores.shape
    out = np.zeros((n + 1, m))
    out[-1] = 1.0
    possible = scores > -12.0
    for rows, columns in _parts(possible):
        part = scores[np.ix_(rows, columns)]
        if len(columns) <= EXACT_UP_TO:
            p = _exact(part)
        elif len(rows) <= EXACT_UP_TO:
            p = _exact(part.T).T
        else:
            p = _propagated(part)
        out[np.ix_(rows, columns)] = p
        out[-1, columns] = 1.0 - p.sum(axis=0)
    return out


def _parts(possible: npt.NDArray[np.bool_]) -> list[tuple[list[int], list[int]]]:
    """Return connected groups of rows and columns."""
    n = len(possible)
    seen = np.zeros(n, bool)
    parts = []
    for start in range(n):
        if seen[start] or not possible[start].any():
            continue
        rows, columns, waiting = [], set(), [start]
        seen[start] = True
        while waiting:
            row = waiting.pop()
            rows.append(row)
            for column in np.flatnonzero(possible[row]).tolist():
                if column not in columns:
                    columns.add(column)
                    for other in np.flatnonzero(possible[:, column] & ~seen).tolist():
                        seen[other] = True
                        waiting.append(other)
        parts.append((sorted(rows), sorted(columns)))
    return parts


def _exact(scores: F64) -> F64:
    """Marginals over all matchings, by a sum over sets of columns taken (few columns)."""
    n, m = scores.shape
    odds = np.exp(np.clip(scores, -60.0, 60.0))
    taken = np.arange(1 << m)
    forward = np.zeros((n + 1, 1 << m))
    forward[0, 0] = 1.0
    for i in range(n):
        step = forward[i].copy()
        for j in range(m):
            free = taken[(taken >> j) & 1 == 0]
            step[free | (1 << j)] += forward[i, free] * odds[i, j]
        forward[i + 1] = step / step.sum()
    backward = np.ones(1 << m)
    out = np.zeros((n, m))
    for i in range(n - 1, -1, -1):
        step = backward.copy()
        pair = np.zeros(m)
        alone = float(forward[i] @ backward)
        for j in range(m):
            free = taken[(taken >> j) & 1 == 0]
            pair[j] = float(np.sum(forward[i, free] * odds[i, j] * backward[free | (1 << j)]))
            step[free] += odds[i, j] * backward[free | (1 << j)]
        out[i] = pair / (alone + pair.sum())
        backward = step / step.max()
    return out


def _propagated(scores: F64) -> F64:
    """Marginals by belief propagation for data association (Williams and Lau 2014, eq. 20-21)."""
    odds = np.exp(np.clip(scores, -60.0, 60.0))
    to_rows = np.ones_like(odds)
    for _ in range(SWEEPS):
        weighed = odds * to_rows
        to_columns = odds / (1 + weighed.sum(axis=1, keepdims=True) - weighed)
        to_rows = 1 / (1 + to_columns.sum(axis=0, keepdims=True) - to_columns)
    weighed = odds * to_rows
    return np.asarray(weighed / (1 + weighed.sum(axis=1, keepdims=True)), np.float64)
