"""The ball network, and how it is trained: about 6 million multiplications a window."""

from __future__ import annotations

from copy import deepcopy

import torch
import torch.nn.functional as nnf
from torch import Tensor

from training.ball.augment import Batch, augment
from training.ball.windows import IS_BALL, Kind, Windows
from training.course import HOME, SEED, Course, answers_to, run
from training.export import Layer
from training.network import Chain, window_network

LAYERS = ((6, 24, 2), (24, 32, 2), (32, 48, 1), (48, 64, 2), (64, 64, 1))  # in, out, stride
NARROW, DENSE, LAST_SIDE = 16, 96, 6
FIRST = (0.0, 0.0, 0.0, -0.95, -3.0, -2.0)  # a ball in the middle that fills its share of a window
BATCH = 4096
WARM_UP = 0.15  # of the time, sizes and places are learnt before their sigmas
WHOLE = 0.97
SIGMA_LOGS = (-6.0, 0.0)
# How often a kind is drawn, whatever its number, in parts of their sum.
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
    Kind.PHOTO_MOVING: 0.06,
    Kind.PHOTO_LYING: 0.075,
    Kind.PHOTO_OTHER: 0.32,
}
HARD_TIMES = 5  # so often in a course it is asked which windows without a ball look like one,
FIRST_PHOTO = Kind.PHOTO_MOVING
FAITH = 0.7  # balls of more scenes than a later course has are to be found as before
EASY_SHARE = 0.15  # and those are drawn more often than the easiest, which are drawn so often


def losses(answers: Tensor, batch: Batch, progress: float) -> Tensor:
    """Cross entropy of the score, and Gaussian likelihood of place and size where a ball is."""
    score = nnf.binary_cross_entropy_with_logits(answers[:, 0], 0.98 * batch.ball + 0.01)
    there = batch.ball > 0.5
    predicted, true = answers[there], batch.answers[there]
    off = predicted[:, 1:4] - true
    plain = 20.0 * off[:, :2].abs().mean() + 6.0 * off[:, 2].abs().mean()
    if progress < WARM_UP:
        return score + plain
    place, size = (predicted[:, k].clamp(*SIGMA_LOGS) for k in (4, 5))
    likely = 0.5 * (off[:, :2].square().sum(1)) * torch.exp(-2 * place) + 2 * place
    likely = likely + 0.5 * off[:, 2].square() * torch.exp(-2 * size) + size
    return score + 0.3 * plain + 0.25 * likely.mean()


def _faith(answers: Tensor, old: Tensor, there: Tensor) -> Tensor:
    """How far a network has gone from what it started from, on drawn balls."""
    now, before = answers[there], old[there]
    score = nnf.binary_cross_entropy_with_logits(now[:, 0], before[:, 0].sigmoid())
    return score + 5.0 * (now[:, 1:4] - before[:, 1:4]).abs().mean()


def train(windows: Windows, course: Course, start: list[Layer] | None = None) -> Chain:
    """Train the network on windows, from chance or from the weights of a network before it."""
    torch.manual_seed(SEED)
    network = window_network(LAYERS, NARROW, DENSE, LAST_SIDE, FIRST)
    if start is not None:
        network.take_over(start)
    network = network.to(HOME, memory_format=torch.channels_last)
    before = None if start is None else deepcopy(network)
    draws = _Draws(windows, course.batch)

    def loss_of(network: Chain, progress: float) -> Tensor:
        draws.ask(network, progress, at_once=before is not None)
        batch, was_drawn_ball = draws.batch()
        answers = answers_to(network, batch.levels)
        if before is None:
            return losses(answers, batch, progress)
        with torch.no_grad():
            old = answers_to(before, batch.levels)
        there = was_drawn_ball & (batch.ball > 0.5)
        return losses(answers, batch, 1.0) + FAITH * _faith(answers, old, there)

    return run(network, loss_of, course)


class _Draws:
    """Draws batches of windows, hard ones more often."""

    def __init__(self, windows: Windows, size: int) -> None:
        self._crops = torch.from_numpy(windows.crops).to(HOME)
        self._answers = torch.from_numpy(windows.answers).to(HOME)
        self._facts = torch.from_numpy(windows.facts).to(HOME)
        self._kinds = self._facts[:, 0].long()
        self._ball = torch.isin(self._kinds, torch.tensor(IS_BALL, device=HOME)).float()
        self._odds = self._summed(torch.ones(len(self._ball), dtype=torch.float64, device=HOME))
        self._asked, self._size = 0, size

    def ask(self, network: Chain, progress: float, *, at_once: bool) -> None:
        """Now and then, ask a network which windows without a ball look like one to it."""
        if progress < self._asked / HARD_TIMES:
            return
        self._asked += 1
        if self._asked == 1 and not at_once:
            return
        learning = network.training
        network.eval()
        with torch.no_grad():
            parts = [network(part.float())[:, 0].sigmoid() for part in self._crops.split(16384)]
        network.train(learning)
        hard = EASY_SHARE + (2 * torch.cat(parts).double()).clamp(max=1.0)
        self._odds = self._summed(torch.where(self._ball > 0.5, 1.0, hard))

    def _summed(self, hard: Tensor) -> Tensor:
        """Add up the odds: each kind has its weight, and in it the hard windows have more."""
        sums = torch.zeros(len(Kind), dtype=torch.float64, device=HOME)
        sums.index_add_(0, self._kinds, hard)
        rates = torch.tensor([WEIGHTS[k] for k in Kind], dtype=torch.float64, device=HOME)
        odds = torch.cumsum((rates / sums.clamp(min=1e-9))[self._kinds] * hard, 0)
        return odds / odds[-1].clone()

    @torch.no_grad()
    def batch(self) -> tuple[Batch, Tensor]:
        """Draw a batch; the second tells which of it were laid round drawn balls."""
        luck = torch.rand(self._size, device=HOME, dtype=torch.float64)
        pick = torch.searchsorted(self._odds, luck).clamp(max=len(self._odds) - 1)
        facts, ball = self._facts[pick], self._ball[pick]
        whole = (facts[:, 2] > WHOLE).float()
        batch = Batch(self._crops[pick], self._answers[pick], ball, facts[:, 3], whole)
        return augment(batch), (ball > 0.5) & (self._kinds[pick] < FIRST_PHOTO)
