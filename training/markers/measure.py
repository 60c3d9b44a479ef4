"""What the network does on windows of yards that it never saw, as a table."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from shoegoal.scene.standing_things import CELL_PX, HALF_PX, OFF_PX, SIGMA_LOGS
from training.markers.fit import OTHERS_PX
from training.markers.windows import Windows

F32 = npt.NDArray[np.float32]
ONE_PLACE_PX = 8.0
LEVELS = (-2.0, -1.0, 0.0, 1.0, 2.0)


def report(answers: F32, windows: Windows) -> str:
    """Return found and false things at some levels, and how well the found ones are placed."""
    hits: dict[float, int] = dict.fromkeys(LEVELS, 0)
    false: dict[float, int] = dict.fromkeys(LEVELS, 0)
    errors: list[tuple[float, ...]] = []
    things = 0
    for predicted, true, feet in zip(answers, windows.things, windows.feet, strict=True):
        peaks = peaks_of(predicted, feet)
        known = true[np.isfinite(true[:, 0])]
        counts = (known[:, 4] > 0.5) & (known[:, 1] > feet[0]) & (known[:, 1] < feet[1])
        counts &= (known[:, 0] > 12) & (known[:, 0] < 180) & (known[:, 1] < 90)
        things += int(counts.sum())
        taken = set()
        for thing in known[counts]:
            at = [k for k, p in enumerate(peaks) if np.hypot(*(p[1:3] - thing[:2])) < ONE_PLACE_PX]
            if not at:
                continue
            best = max(at, key=lambda k: peaks[k][0])
            taken.add(best)
            for level in LEVELS:
                hits[level] += int(peaks[best][0] > level)
            if peaks[best][0] > 0:
                off = peaks[best][1:3] - thing[:2]
                half = float(np.log(peaks[best][3] / max(thing[2], 1.0)))
                errors.append((*off, half, *(off / peaks[best][4:6]), half / peaks[best][6]))
        for k, peak in enumerate(peaks):
            beside = np.abs(known[:, 0] - peak[1]) < known[:, 2] + ONE_PLACE_PX
            beside &= peak[2] > known[:, 1] - known[:, 3] - ONE_PLACE_PX
            beside &= peak[2] < known[:, 1] + ONE_PLACE_PX
            if k not in taken and not beside.any():
                for level in LEVELS:
                    false[level] += int(peak[0] > level)
    e = np.array(errors).reshape(-1, 6)
    middle = np.median(np.abs(e), axis=0)
    lines = [f"{things} things in {len(answers)} windows."]
    lines += [
        f"- logit over {level:g}: {hits[level] / max(1, things):.3f} found, "
        f"{false[level] / len(answers):.3f} false a window"
        for level in LEVELS
    ]
    lines.append(
        f"- off by (median) {middle[0]:.2f} px across, {middle[1]:.2f} px along, "
        f"{100 * middle[2]:.1f} % of the half length; in sigmas {middle[3]:.2f}, {middle[4]:.2f}, "
        f"{middle[5]:.2f} (normal: 0.67)"
    )
    return "\n".join(lines) + "\n"


def peaks_of(predicted: F32, feet: F32) -> list[npt.NDArray[np.float64]]:
    """Peaks: logit, x, y, half length, sigmas of x, y and the half length's log."""
    logit = predicted[0]
    padded = np.pad(logit, 1, constant_values=-np.inf)
    around = np.lib.stride_tricks.sliding_window_view(padded, (3, 3)).max(axis=(2, 3))
    out = []
    for row, column in zip(*np.nonzero((logit == around) & (logit > LEVELS[0])), strict=True):
        a = predicted[:, row, column].astype(np.float64)
        x = column * CELL_PX + (CELL_PX - 1) / 2 + OFF_PX * a[1]
        y = row * CELL_PX + (CELL_PX - 1) / 2 + OFF_PX * a[2]
        if feet[0] - OTHERS_PX / 2 < y < feet[1] + OTHERS_PX / 2:
            sigma = np.exp(np.clip(a[5:8], *SIGMA_LOGS))
            out.append(
                np.array([a[0], x, y, HALF_PX * np.exp(a[3]), *(OFF_PX * sigma[:2]), sigma[2]])
            )
    return out
