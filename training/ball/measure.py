"""What the trained network does on scenes that it never saw, as tables."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from training.ball.windows import IS_BALL, Kind, Stock

F32 = npt.NDArray[np.float32]
Rows = npt.NDArray[np.bool_]
GOOD_GUESS_LOG = 0.3  # a guess of a size this near, as a second look has it
BANDS_PX = (0, 12, 20, 35, 60, 1000)
COLUMNS = (
    "windows of balls",
    "found at 0.5",
    "centre off, diameters",
    "size off, %",
    "size bias, %",
    "centre in 1 / 2 sigma",
    "size in 1 / 2 sigma",
)


def area_under_curve(scores: F32, ball: Rows) -> float:
    """Area under the receiver operating characteristic, by ranks (Mann & Whitney 1947)."""
    order = np.argsort(scores, kind="stable")
    ranks = np.empty(len(scores))
    ranks[order] = np.arange(1, len(scores) + 1)
    yes = int(ball.sum())
    return float((ranks[ball].sum() - yes * (yes + 1) / 2) / (yes * (len(ball) - yes)))


def report(answers: F32, stock: Stock) -> str:
    """Return the tables in Markdown.

    Parameters
    ----------
    answers : (n, 6) of the network, a row for each window of the stock.
    """
    kinds = stock.windows.facts[:, 0].astype(int)
    ball = np.isin(kinds, IS_BALL)
    score = 1 / (1 + np.exp(-answers[:, 0].astype(np.float64)))
    area = area_under_curve(answers[:, 0], ball)
    lines = [
        f"{len(stock.scenes)} scenes, {int(ball.sum())} windows round balls, "
        f"{int((~ball).sum())} round something else. Area under the ROC curve: {area:.4f}.",
        "",
        "| windows that hold no ball | number | scored over 0.2 | over 0.5 | over 0.8 |",
        "| --- | --- | --- | --- | --- |",
    ]
    for kind in Kind:
        if kind in IS_BALL or not (kinds == kind).any():
            continue
        shares = [f"{np.mean(score[kinds == kind] > bar):.2%}" for bar in (0.2, 0.5, 0.8)]
        row = [kind.name.lower(), str(int((kinds == kind).sum())), *shares]
        lines.append("| " + " | ".join(row) + " |")
    lines += ["", "| balls | " + " | ".join(COLUMNS) + " |", "| --- " * (len(COLUMNS) + 1) + "|"]
    for name, which in _groups(stock, kinds, ball):
        if which.sum() >= 20:
            lines.append("| " + " | ".join([name, *_figures(answers, stock, score, which)]) + " |")
    return "\n".join(lines) + "\n"


def _groups(stock: Stock, kinds: npt.NDArray[np.int64], ball: Rows) -> list[tuple[str, Rows]]:
    facts = stock.windows.facts
    good = facts[:, 4] < GOOD_GUESS_LOG
    out = [("all", ball), ("guess good", ball & good), ("guess poor", ball & ~good)]
    out += [(k.name.lower().replace("_", " "), kinds == k) for k in IS_BALL]
    out.append(("half hidden", ball & (facts[:, 2] < 0.8)))
    for low, high in pairwise(BANDS_PX):
        out.append((f"{low}-{high} px", ball & (facts[:, 1] >= low) & (facts[:, 1] < high)))
    for field in ("design", "ground", "painter", "view", "lines"):
        of_scene = np.array([str(getattr(s, field)) for s in stock.scenes])
        for value in sorted(set(of_scene)):
            out.append((f"{field} {value}", ball & (of_scene[stock.scene_of] == value)))
    return out


def _figures(
    answers: F32, stock: Stock, score: npt.NDArray[np.float64], which: Rows
) -> Sequence[str]:
    predicted, true = answers[which], stock.windows.answers[which]
    found = score[which] > 0.5
    size = np.exp(true[:, 2])
    off = predicted[:, 1:3] - true[:, :2]
    grow = predicted[:, 3] - true[:, 2]
    centre = np.abs(off) / np.exp(predicted[:, 4:5])
    sizes = np.abs(grow) / np.exp(predicted[:, 5])
    return (
        str(int(which.sum())),
        f"{found.mean():.2%}",
        f"{np.median(np.hypot(*off[found].T) / size[found]):.4f}",
        f"{100 * np.median(np.abs(grow[found])):.2f}",
        f"{100 * np.median(grow[found]):+.2f}",
        f"{np.mean(centre[found] < 1):.0%} / {np.mean(centre[found] < 2):.0%}",
        f"{np.mean(sizes[found] < 1):.0%} / {np.mean(sizes[found] < 2):.0%}",
    )
