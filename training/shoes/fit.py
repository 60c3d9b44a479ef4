"""Trains the network on windows round shoes."""

from __future__ import annotations

import sys
import time
from copy import deepcopy

import torch
import torch.nn.functional as nnf
from torch import Tensor

from shoegoal.cues.sight import SIDE_PX, SIGMA_LOGS
from training.fit import follow, rate
from training.shoes.network import ShoeNet
from training.shoes.windows import Windows

WARM_UP = 0.15  # of the time, places are learnt before their sigmas


def train(windows: Windows, seconds: float, batch: int = 1024, peak: float = 3e-3,
          seed: int = 7) -> ShoeNet:  # fmt: skip
    """Train for a time; the weights returned are a running mean of the last steps'."""
    torch.manual_seed(seed)
    home = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = ShoeNet().to(home, memory_format=torch.channels_last)
    mean = deepcopy(network).eval()
    levels = torch.from_numpy(windows.levels).to(home)
    ends = torch.from_numpy(windows.ends).to(home)
    optimizer = torch.optim.AdamW(network.parameters(), lr=1e-3, weight_decay=0.03)
    begun, step = time.time(), 0
    while (progress := (time.time() - begun) / seconds) < 1:
        for group in optimizer.param_groups:
            group["lr"] = peak * rate(progress)
        pick = torch.randint(len(levels), (batch,), device=home)
        with torch.no_grad():
            seen, meant = augment(levels[pick].float(), ends[pick])
        seen = seen.contiguous(memory_format=torch.channels_last)
        with torch.autocast(home.type, torch.bfloat16):
            told = network(seen)
        loss = losses(told.float(), meant, progress)
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


def losses(told: Tensor, meant: Tensor, progress: float) -> Tensor:
    """Gaussian likelihood of heel and toe; at first only how far off they are."""
    off = (told[:, :4] - meant).reshape(-1, 2, 2)
    plain = 10.0 * off.abs().mean()
    if progress < WARM_UP:
        return plain
    sigma = told[:, 4:].clamp(*SIGMA_LOGS)
    likely = 0.5 * off.square().sum(2) * torch.exp(-2 * sigma) + 2 * sigma
    return 0.5 * plain + 0.25 * likely.mean()


def augment(x: Tensor, ends: Tensor) -> tuple[Tensor, Tensor]:
    """Other light, colours, lenses and grain; things before the shoe; half as in a mirror."""
    n = len(x)
    ends = ends.clone()

    def draw(low: float, high: float, channels: int = 1) -> Tensor:
        return low + (high - low) * torch.rand(n, channels, 1, 1, device=x.device)

    mirrored = torch.rand(n, device=x.device) < 0.5
    x = torch.where(mirrored[:, None, None, None], x.flip(3), x)
    ends[:, 0::2] = torch.where(mirrored[:, None], -ends[:, 0::2], ends[:, 0::2])
    x, line = x[:, :3], x[:, 3:]
    x = (x / 255).clamp(1e-3, 1) ** draw(0.7, 1.4)
    x = x * draw(0.6, 1.3) * (1 + 0.15 * torch.randn(n, 3, 1, 1, device=x.device))
    grey = x.mean(1, keepdim=True)
    x = 255 * (grey + (x - grey) * draw(0.1, 1.6))
    x = torch.cat([_blurred(part) for part in x.chunk(8)])
    x = x + torch.randn_like(x) * draw(0, 1) ** 3 * 14
    # A fifth of the windows lose a patch.
    at = torch.arange(SIDE_PX, device=x.device, dtype=torch.float32)
    rows, columns = at[None, None, :, None], at[None, None, None]
    middle, half = draw(0, SIDE_PX, 2), draw(2, 9, 2)
    hidden = ((columns - middle[:, :1]).abs() < half[:, :1]) & (
        (rows - middle[:, 1:]).abs() < half[:, 1:]
    )
    hidden = hidden & (torch.rand(n, 1, 1, 1, device=x.device) < 0.2)
    x = torch.where(hidden, draw(0, 255, 3), x)
    return torch.cat([x.clamp(0, 255).round(), line], 1), ends


def _blurred(x: Tensor) -> Tensor:
    """Blur a batch by one lens, or sharpen it by one camera, or leave it as it is."""
    luck = float(torch.rand(()))
    if luck < 0.4:
        return x
    sigma = 0.4 + 1.0 * float(torch.rand(()))
    at = torch.arange(-4, 5, device=x.device, dtype=torch.float32)
    row = torch.exp(-(at**2) / (2 * sigma**2))
    row = (row / row.sum()).expand(3, 1, 1, 9)
    soft = nnf.conv2d(nnf.pad(x, (4, 4, 4, 4), mode="replicate"), row, groups=3)
    soft = nnf.conv2d(soft, row.transpose(2, 3), groups=3)
    return soft if luck < 0.75 else x + 0.7 * (x - soft)


@torch.no_grad()
def read(network: ShoeNet, windows: Windows) -> Tensor:
    """Answers (n, 6) to windows."""
    home = next(network.parameters()).device
    parts = torch.from_numpy(windows.levels).split(4096)
    return torch.cat([network(part.to(home).float()).float().cpu() for part in parts])
