"""Trains the network on windows of yards."""

from __future__ import annotations

import sys
import time
from copy import deepcopy

import torch
import torch.nn.functional as nnf
from torch import Tensor

from shoegoal.scene.standing_things import CELL_PX, HALF_PX, HIGH_PX, OFF_PX, SIGMA_LOGS
from training.fit import follow, rate
from training.markers.network import SightNet
from training.markers.windows import HIGH, WIDE, Windows

NEAR_PX = 5.0  # cells this near to a foot tell its place and size
SPREAD_PX = 3.0
OTHERS_PX = 8.0  # rows beyond the band's feet take no part
FOCUS = 2.0


def train(windows: Windows, seconds: float, batch: int = 256, peak: float = 3e-3, seed: int = 7,
          start: dict[str, Tensor] | None = None) -> SightNet:  # fmt: skip
    """Train for a time; the weights returned are a running mean of the last steps'."""
    torch.manual_seed(seed)
    home = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = SightNet()
    if start is not None:
        network.load_state_dict(start)
    network = network.to(home, memory_format=torch.channels_last)
    mean = deepcopy(network).eval()
    bgr = torch.from_numpy(windows.bgr).to(home)
    things, feet = (
        torch.from_numpy(windows.things).to(home),
        torch.from_numpy(windows.feet).to(home),
    )
    optimizer = torch.optim.AdamW(network.parameters(), lr=1e-3, weight_decay=0.02)
    begun, step = time.time(), 0
    while (progress := (time.time() - begun) / seconds) < 1:
        for group in optimizer.param_groups:
            group["lr"] = peak * rate(progress)
        pick = torch.randint(len(bgr), (batch,), device=home)
        with torch.no_grad():
            levels, there = augment(bgr[pick].permute(0, 3, 1, 2).float(), things[pick])
        levels = levels.contiguous(memory_format=torch.channels_last)
        with torch.autocast(home.type, torch.bfloat16):
            told = network(levels)
        loss = losses(told.float(), there, feet[pick])
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimizer.step()
        step += 1
        follow(mean, network, min(0.999, step / (step + 10)))
        if step % 500 == 0:
            print(f"step {step}, {time.time() - begun:.0f} s: {loss.item():.4f}", file=sys.stderr)
    print(f"{step} steps of {batch}", file=sys.stderr)
    return mean


def losses(told: Tensor, things: Tensor, feet: Tensor) -> Tensor:
    """Focal loss of where feet are; Gaussian likelihood of place and size there.

    Notes
    -----
    The focal loss with soft surroundings follows Law and Deng, "CornerNet", ECCV 2018 (from
    memory).
    """
    rows, columns = told.shape[2:]
    y = (torch.arange(rows, device=told.device) * CELL_PX + (CELL_PX - 1) / 2)[None, None, :, None]
    x = (torch.arange(columns, device=told.device) * CELL_PX + (CELL_PX - 1) / 2)[None, None, None]
    there = torch.nan_to_num(things, nan=-1e4)[..., None, None]
    off_x, off_y = there[:, :, 0] - x, there[:, :, 1] - y  # (n, k, rows, columns)
    counts = there[:, :, 4] > 0.5
    in_band = (there[:, :, 1] > feet[:, None, :1, None] - OTHERS_PX) & (
        there[:, :, 1] < feet[:, None, 1:, None] + OTHERS_PX
    )
    counts = counts & in_band
    away = off_x**2 + off_y**2
    soft = torch.where(counts, torch.exp(-away / (2 * SPREAD_PX**2)), 0.0).amax(1)
    # The cell that holds the foot is the one to find.
    holds = counts & (off_x.abs() <= CELL_PX / 2) & (off_y.abs() <= CELL_PX / 2)
    found = holds.any(1)
    half = there[:, :, 2].clamp(min=2.0)
    covered = (off_x.abs() < half + 6) & (off_y > -8) & (off_y < there[:, :, 3] + 8)
    # What counts for another band, or is hidden, is neither found nor missed here.
    ignored = (covered & ~counts & (there[:, :, 0] > -1e3)).any(1) & ~found
    rows_on = (y[:, 0] > feet[:, :1, None] - OTHERS_PX) & (y[:, 0] < feet[:, 1:, None] + OTHERS_PX)
    weight = (~ignored & rows_on).float()
    logit = told[:, 0]
    chance = logit.sigmoid()
    hit = nnf.logsigmoid(logit) * (1 - chance) ** FOCUS
    miss = nnf.logsigmoid(-logit) * chance**FOCUS * (1 - soft) ** 4
    number = found.sum().clamp(min=1)
    score = -(torch.where(found, hit, miss) * weight).sum() / number
    near = counts & (off_x.abs() <= NEAR_PX) & (off_y.abs() <= NEAR_PX)
    which = torch.where(near, away, torch.inf).argmin(1, keepdim=True)
    chosen = near.any(1)

    def of(v: Tensor) -> Tensor:
        return v.expand(-1, -1, rows, columns).gather(1, which)[:, 0][chosen]

    meant = torch.stack(
        [of(off_x) / OFF_PX, of(off_y) / OFF_PX, (of(half) / HALF_PX).log(),
         (of(there[:, :, 3].clamp(min=2.0)) / HIGH_PX).log()], 1
    )  # fmt: skip
    answers = told.permute(0, 2, 3, 1)[chosen]
    wrong = answers[:, 1:5] - meant
    sigma = answers[:, 5:8].clamp(*SIGMA_LOGS)
    likely = 0.5 * wrong[:, :3] ** 2 * torch.exp(-2 * sigma) + sigma
    loss: Tensor = score + 0.5 * wrong.abs().mean() * 4 + 0.25 * likely.sum(1).mean()
    return loss


def augment(x: Tensor, things: Tensor) -> tuple[Tensor, Tensor]:
    """Other light, colours, lenses and grain; half of the windows as in a mirror."""
    n = len(x)
    things = things.clone()

    def draw(low: float, high: float, channels: int = 1) -> Tensor:
        return low + (high - low) * torch.rand(n, channels, 1, 1, device=x.device)

    mirrored = torch.rand(n, device=x.device) < 0.5
    x = torch.where(mirrored[:, None, None, None], x.flip(3), x)
    things[..., 0] = torch.where(mirrored[:, None], WIDE - 1 - things[..., 0], things[..., 0])
    x = x / 255
    x = x.clamp(1e-3, 1) ** draw(0.7, 1.4)
    x = x * draw(0.6, 1.3) * (1 + 0.12 * torch.randn(n, 3, 1, 1, device=x.device))
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * draw(0.2, 1.5)
    x = 255 * x
    x = torch.cat([_blurred(part) for part in x.chunk(8)])
    grain = torch.randn_like(x) * draw(0, 1) ** 3 * 14
    coarse = nnf.interpolate(
        torch.randn(n, 3, HIGH // 4, WIDE // 4, device=x.device), size=x.shape[2:], mode="bilinear"
    )
    x = x + grain + coarse * draw(0, 1) ** 3 * 8
    return x.clamp(0, 255).round(), things


def _blurred(x: Tensor) -> Tensor:
    """Blur a batch by one lens, or sharpen it by one camera, or leave it as it is."""
    luck = float(torch.rand(()))
    if luck < 0.35:
        return x
    sigma = 0.4 + 1.4 * float(torch.rand(()))
    at = torch.arange(-4, 5, device=x.device, dtype=torch.float32)
    row = torch.exp(-(at**2) / (2 * sigma**2))
    row = (row / row.sum()).expand(3, 1, 1, 9)
    soft = nnf.conv2d(nnf.pad(x, (4, 4, 4, 4), mode="replicate"), row, groups=3)
    soft = nnf.conv2d(soft, row.transpose(2, 3), groups=3)
    return soft if luck < 0.75 else x + 0.7 * (x - soft)
