"""Trains the network on a stock of windows."""

from __future__ import annotations

import math
import sys
import time
from copy import deepcopy
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as nnf
from torch import Tensor, nn

from training.augment import Batch, augment
from training.export import Layer
from training.network import GaugeNet
from training.windows import IS_BALL, Kind, Windows

WARM_UP = 0.15  # of the time, sizes and places are learnt before their sigmas
WHOLE = 0.97
SIGMA_LOGS = (-6.0, 0.0)
# How often a kind is drawn, whatever its number; balls make up half of every batch.
WEIGHTS = {
    Kind.MOVING: 0.26,
    Kind.RESTING: 0.06,
    Kind.WAITING: 0.05,
    Kind.PUT_DOWN: 0.04,
    Kind.BLOB: 0.15,
    Kind.LIMB: 0.10,
    Kind.THING: 0.05,
    Kind.BARE: 0.05,
    Kind.LEFT: 0.035,
    Kind.BESIDE: 0.035,
    Kind.PHOTO_MOVING: 0.04,
    Kind.PHOTO_LYING: 0.05,
    Kind.PHOTO_OTHER: 0.14,
}
HARD_TIMES = 5  # so often in a course it is asked which windows without a ball look like one,
FIRST_PHOTO = Kind.PHOTO_MOVING
FAITH = 0.7  # balls of more scenes than a later course has are to be found as before
EASY_SHARE = 0.25  # and those are drawn more often than the easiest, which are drawn so often


@dataclass(frozen=True, slots=True)
class Course:
    """How long and how the network is trained; time may end it, the schedule goes by time too."""

    seconds: float
    batch: int = 4096
    peak_rate: float = 4e-3
    seed: int = 7
    start: list[Layer] | None = None  # weights to go on from; from chance where there are none


def losses(answers: Tensor, batch: Batch, progress: float) -> Tensor:
    """Cross entropy of the score, and Gaussian likelihood of place and size where a ball is."""
    score = nnf.binary_cross_entropy_with_logits(answers[:, 0], 0.98 * batch.ball + 0.01)
    there = batch.ball > 0.5
    told, meant = answers[there], batch.answers[there]
    off = told[:, 1:4] - meant
    plain = 20.0 * off[:, :2].abs().mean() + 6.0 * off[:, 2].abs().mean()
    if progress < WARM_UP:
        return score + plain
    place, size = (told[:, k].clamp(*SIGMA_LOGS) for k in (4, 5))
    likely = 0.5 * (off[:, :2].square().sum(1)) * torch.exp(-2 * place) + 2 * place
    likely = likely + 0.5 * off[:, 2].square() * torch.exp(-2 * size) + size
    return score + 0.3 * plain + 0.25 * likely.mean()


def _faith(answers: Tensor, old: Tensor, there: Tensor) -> Tensor:
    """How far a network has gone from what it started from, on drawn balls."""
    told, meant = answers[there], old[there]
    score = nnf.binary_cross_entropy_with_logits(told[:, 0], meant[:, 0].sigmoid())
    return score + 5.0 * (told[:, 1:4] - meant[:, 1:4]).abs().mean()


def _odds(kinds: Tensor, hard: Tensor) -> Tensor:
    """Add up the odds of windows: each kind has its weight, and in it the hard ones have more."""
    sums = torch.zeros(len(Kind), dtype=torch.float64, device=kinds.device)
    sums.index_add_(0, kinds, hard)
    rates = torch.tensor([WEIGHTS[k] for k in Kind], dtype=torch.float64, device=kinds.device)
    odds = torch.cumsum((rates / sums.clamp(min=1e-9))[kinds] * hard, 0)
    return odds / odds[-1].clone()


@torch.no_grad()
def _hardness(network: GaugeNet, crops: Tensor, ball: Tensor) -> Tensor:
    """How often each window is drawn among those of its kind: 1 for balls."""
    parts = [network(part.float())[:, 0].float().sigmoid() for part in crops.split(16384)]
    score = torch.cat(parts).double()
    return torch.where(ball > 0.5, 1.0, EASY_SHARE + (2 * score).clamp(max=1.0))


def train(windows: Windows, course: Course) -> GaugeNet:
    """Train for a time; the weights returned are a running mean of the last steps'."""
    torch.manual_seed(course.seed)
    home = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = GaugeNet()
    if course.start is not None:
        network.take_over(course.start)
    network = network.to(home, memory_format=torch.channels_last)
    mean, first = deepcopy(network).eval(), deepcopy(network).eval()
    crops = torch.from_numpy(windows.crops).to(home)
    answers = torch.from_numpy(windows.answers).to(home)
    facts = torch.from_numpy(windows.facts).to(home)
    kinds = facts[:, 0].long()
    ball = torch.isin(kinds, torch.tensor(IS_BALL, device=home)).float()
    odds = _odds(kinds, torch.ones_like(ball, dtype=torch.float64))
    asked = 0 if course.start is not None else 1
    optimizer = torch.optim.AdamW(network.parameters(), lr=1e-3, weight_decay=0.02)
    begun, step = time.time(), 0
    while (progress := (time.time() - begun) / course.seconds) < 1:
        if progress >= asked / HARD_TIMES:
            odds, asked = _odds(kinds, _hardness(mean, crops, ball)), asked + 1
        for group in optimizer.param_groups:
            group["lr"] = course.peak_rate * rate(progress)
        drawn = torch.rand(course.batch, device=home, dtype=torch.float64)
        pick = torch.searchsorted(odds, drawn).clamp(max=len(odds) - 1)
        with torch.no_grad():
            batch = augment(
                Batch(
                    crops[pick],
                    answers[pick],
                    ball[pick],
                    facts[pick, 3],
                    (facts[pick, 2] > WHOLE).float(),
                )
            )
        levels = batch.levels.contiguous(memory_format=torch.channels_last)
        with torch.autocast(home.type, torch.bfloat16):
            told = network(levels)
            with torch.no_grad():
                old = None if course.start is None else first(levels)
        loss = losses(told.float(), batch, progress if old is None else 1.0)
        if old is not None:
            there = (kinds[pick] < FIRST_PHOTO) & (ball[pick] > 0.5) & (batch.ball > 0.5)
            loss = loss + FAITH * _faith(told.float(), old.float(), there)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimizer.step()
        step += 1
        follow(mean, network, min(0.999, step / (step + 10)))
        if step % 500 == 0:
            print(f"step {step}, {time.time() - begun:.0f} s: {loss.item():.4f}", file=sys.stderr)
    print(f"{step} steps of {course.batch}", file=sys.stderr)
    return mean


def rate(progress: float) -> float:
    """Rises over the first 4 % and falls along a cosine."""
    if progress < 0.04:
        return progress / 0.04
    return 0.5 * (1 + math.cos(math.pi * (progress - 0.04) / 0.96)) + 1e-3


@torch.no_grad()
def follow(mean: nn.Module, network: nn.Module, keep: float) -> None:
    """Let running means follow a step."""
    ours, theirs = list(mean.state_dict().values()), list(network.state_dict().values())
    for old, new in zip(ours, theirs, strict=True):
        if old.is_floating_point():
            old.lerp_(new, 1 - keep)
        else:
            old.copy_(new)


@torch.no_grad()
def read(network: GaugeNet, crops: npt.NDArray[np.uint8]) -> npt.NDArray[np.float32]:
    """Answers (n, 6) to windows (n, 6, 48, 48)."""
    home = next(network.parameters()).device
    parts = torch.from_numpy(crops).split(8192)
    out = [network(part.to(home).float()).float().cpu().numpy() for part in parts]
    return np.asarray(np.concatenate(out), np.float32)
