"""A few pictures spread over a clip, to see what somebody hides at times."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from shoegoal.clip.frame import U8
from shoegoal.clip.reader import open_clip

LEAST_STEP_S = 1e-3  # for a clip that says nothing of its length


def spread_pictures(path: Path, looks: int, until_s: float | None = None) -> Iterator[U8]:
    """Pictures (H, W, 3) in BGR at about even times, near key pictures where there are some.

    Parameters
    ----------
    path : the clip.
    looks : how many.
    until_s : presentation time after which none is taken.
    """
    with open_clip(path) as clip, clip.sampler() as sampler:
        end_s = sampler.times_s[-1] if until_s is None else until_s
        step_s = max((end_s - sampler.times_s[0]) / looks, LEAST_STEP_S)
        wanted_s = [time_s for time_s in sampler.spread_s(step_s) if time_s <= end_s]
        for frame in sampler.near(wanted_s, step_s / 2):
            if frame.time_s <= end_s:
                yield frame.bgr()
