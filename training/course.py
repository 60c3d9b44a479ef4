"""One course of training, the same for all three networks."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor, nn

Net = TypeVar("Net", bound=nn.Module)
HOME = torch.device("cuda" if torch.cuda.is_available() else "cpu")
MOST_GRADIENT = 5.0
SEED = 7


@dataclass(frozen=True, slots=True)
class Course:
    """How long and how a network is trained; time ends it, and the schedule goes by time too."""

    seconds: float
    peak_rate: float
    batch: int
    weight_decay: float = 0.02


def run(network: Net, loss_of: Callable[[Net, float], Tensor], course: Course) -> Net:
    """Train for a time.

    Parameters
    ----------
    network : at `HOME`, in channels_last; its weights change.
    loss_of : draws a batch and returns the network's loss on it; the second argument is the share
        of the time that is over.

    Returns
    -------
    A copy whose weights are a running mean of the last steps'.
    """
    mean = deepcopy(network).eval()
    optimizer = torch.optim.AdamW(
        network.parameters(), lr=course.peak_rate, weight_decay=course.weight_decay
    )
    begun, step = time.time(), 0
    while (progress := (time.time() - begun) / course.seconds) < 1:
        for group in optimizer.param_groups:
            group["lr"] = course.peak_rate * _rate(progress)
        loss = loss_of(network, progress)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), MOST_GRADIENT)
        optimizer.step()
        step += 1
        _follow(mean, network, min(0.999, step / (step + 10)))
        if step % 500 == 0:
            print(f"step {step}, {time.time() - begun:.0f} s: {loss.item():.4f}", file=sys.stderr)
    print(f"{step} steps of {course.batch}", file=sys.stderr)
    return mean


def _rate(progress: float) -> float:
    """Rises over the first 4 % and falls along a cosine."""
    if progress < 0.04:
        return progress / 0.04
    return 0.5 * (1 + math.cos(math.pi * (progress - 0.04) / 0.96)) + 1e-3


@torch.no_grad()
def _follow(mean: nn.Module, network: nn.Module, keep: float) -> None:
    """Let running means follow a step."""
    ours, theirs = list(mean.state_dict().values()), list(network.state_dict().values())
    for old, new in zip(ours, theirs, strict=True):
        if old.is_floating_point():
            old.lerp_(new, 1 - keep)
        else:
            old.copy_(new)


def answers_to(network: nn.Module, levels: Tensor) -> Tensor:
    """Run a network on a batch in half precision."""
    with torch.autocast(HOME.type, torch.bfloat16):
        answers: Tensor = network(levels.contiguous(memory_format=torch.channels_last))
    return answers.float()


@torch.no_grad()
def read(
    network: nn.Module, windows: npt.NDArray[np.uint8], at_a_time: int = 4096
) -> npt.NDArray[np.float32]:
    """Run a trained network on windows, channels first."""
    parts = torch.from_numpy(windows).split(at_a_time)
    out = [network(part.to(HOME).float()).float().cpu().numpy() for part in parts]
    return np.asarray(np.concatenate(out), np.float32)
