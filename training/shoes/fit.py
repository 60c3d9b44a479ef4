"""The network that sees a shoe's ends, and how it is trained: 210 000 weights.

About 10 million multiplications a window.
"""

from __future__ import annotations

import torch
import torch.nn.functional as nnf
from torch import Tensor

from shoegoal.cues.sight import SIDE_PX, SIGMA_LOGS
from training.cameras import drawn, grainy, relit, through_lenses
from training.course import HOME, SEED, Course, answers_to, run
from training.network import Chain, window_network
from training.shoes.windows import Windows

LAYERS = ((4, 24, 2), (24, 32, 2), (32, 48, 1), (48, 64, 2), (64, 64, 1))  # in, out, stride
NARROW, DENSE, LAST_SIDE = 20, 112, 8
# Heel x, y, toe x, y, ankle x, y from the window's middle, in sides; logs of their sigmas. At first
# a shoe in the middle, not seen well.
FIRST = (0.0, 0.1, 0.0, 0.1, 0.0, 0.0, -1.5, -1.5, -1.5)
BATCH, WEIGHT_DECAY = 1024, 0.03
WARM_UP = 0.15  # of the time, places are learnt before their sigmas


def train(windows: Windows, course: Course) -> Chain:
    """Train the network on windows, from chance."""
    torch.manual_seed(SEED)
    network = window_network(LAYERS, NARROW, DENSE, LAST_SIDE, FIRST)
    network = network.to(HOME, memory_format=torch.channels_last)
    levels = torch.from_numpy(windows.levels).to(HOME)
    ends = torch.from_numpy(windows.ends).to(HOME)

    def loss_of(network: Chain, progress: float) -> Tensor:
        pick = torch.randint(len(levels), (course.batch,), device=HOME)
        with torch.no_grad():
            seen, true = augment(levels[pick].float(), ends[pick])
        return losses(answers_to(network, seen), true, progress)

    return run(network, loss_of, course)


def turned(x: Tensor, ends: Tensor) -> tuple[Tensor, Tensor]:
    """Turn, scale and shift half of the windows a little, and what is known of them."""
    n, half = len(x), torch.rand(len(x), device=x.device) < 0.5
    angle = torch.where(half, 0.12 * torch.randn(n, device=x.device), 0.0)
    size = torch.where(half, torch.exp(0.08 * torch.randn(n, device=x.device)), 1.0)
    shift = torch.where(half[:, None], 0.03 * torch.randn(n, 2, device=x.device), 0.0)
    turn = torch.stack([torch.cos(angle), -torch.sin(angle), torch.sin(angle), torch.cos(angle)], 1)
    turn = turn.reshape(n, 2, 2)
    # The new window's point p shows what lies at size * turn p + shift of the old one, in sides.
    move = torch.cat([size[:, None, None] * turn, 2 * shift[:, :, None]], 2)
    grid = nnf.affine_grid(move, list(x.shape), align_corners=False)
    moved = nnf.grid_sample(x, grid, padding_mode="border", align_corners=False)
    x = torch.where(half[:, None, None, None], moved, x)
    spots = (ends.reshape(n, 3, 2) - shift[:, None]) / size[:, None, None]
    return x, torch.einsum("nji,nkj->nki", turn, spots).reshape(n, 6)


def losses(predicted: Tensor, true: Tensor, progress: float) -> Tensor:
    """Gaussian likelihood of heel, toe and ankle; at first only how far off they are."""
    off = (predicted[:, :6] - true).reshape(-1, 3, 2)
    plain = 10.0 * off.abs().mean()
    if progress < WARM_UP:
        return plain
    sigma = predicted[:, 6:].clamp(*SIGMA_LOGS)
    likely = 0.5 * off.square().sum(2) * torch.exp(-2 * sigma) + 2 * sigma
    return 0.5 * plain + 0.25 * likely.mean()


def augment(x: Tensor, ends: Tensor) -> tuple[Tensor, Tensor]:
    """Other light, colours, lenses and grain; things before the shoe; half as in a mirror."""
    ends = ends.clone()
    mirrored = torch.rand(len(x), device=x.device) < 0.5
    x = torch.where(mirrored[:, None, None, None], x.flip(3), x)
    ends[:, 0::2] = torch.where(mirrored[:, None], -ends[:, 0::2], ends[:, 0::2])
    x, ends = turned(x, ends)
    x, line = x[:, :3], x[:, 3:].round()
    x = grainy(through_lenses(relit(x, 0.15, 0.1, 1.6), 0.4, 1.0))
    # A fifth of the windows lose a patch.
    at = torch.arange(SIDE_PX, device=x.device, dtype=torch.float32)
    rows, columns = at[None, None, :, None], at[None, None, None]
    middle, half = drawn(x, 0, SIDE_PX, 2), drawn(x, 2, 9, 2)
    hidden = ((columns - middle[:, :1]).abs() < half[:, :1]) & (
        (rows - middle[:, 1:]).abs() < half[:, 1:]
    )
    hidden = hidden & (torch.rand(len(x), 1, 1, 1, device=x.device) < 0.2)
    x = torch.where(hidden, drawn(x, 0, 255, 3), x)
    return torch.cat([x.clamp(0, 255).round(), line], 1), ends
