"""The network that sees standing things, and how it is trained: about 125 000 weights."""

from __future__ import annotations

import torch
import torch.nn.functional as nnf
from torch import Tensor, nn

from shoegoal.scene.standing_things import CELL_PX, HALF_PX, HIGH_PX, OFF_PX, SIGMA_LOGS
from training.cameras import drawn, grainy, relit, through_lenses
from training.course import HOME, SEED, Course, answers_to, run
from training.markers.windows import HIGH, WIDE, Windows
from training.network import Chain, normalised

# in, out, stride, dilation
LAYERS = (
    (3, 24, 2, 1),
    (24, 32, 2, 1),
    (32, 48, 1, 1),
    (48, 48, 1, 2),
    (48, 48, 1, 1),
    (48, 48, 1, 4),
    (48, 48, 1, 1),
    (48, 48, 1, 2),
    (48, 48, 1, 1),
)
DENSE = 64
# Logit; x, y off the cell's middle; logs of half length and height; logs of three sigmas.
FIRST = (-4.0, 0.0, 0.0, 0.0, 0.0, -1.0, -1.0, -1.0)
BATCH = 256

NEAR_PX = 5.0  # cells this near to a foot tell its place and size
SPREAD_PX = 3.0
OTHERS_PX = 8.0  # rows beyond the band's feet take no part
FOCUS = 2.0


def sight_network() -> Chain:
    """Return the network: levels (n, 3, h, w) to answers (n, 8, h / 4, w / 4)."""
    blocks: list[nn.Module] = []
    for into, out, stride, dilation in LAYERS:
        blocks += normalised(into, out, 3, stride, dilation)
    blocks += [nn.Conv2d(LAYERS[-1][1], DENSE, 1), nn.ReLU(inplace=True)]
    return Chain([*blocks, nn.Conv2d(DENSE, len(FIRST), 1)], FIRST, flat=False)


def train(windows: Windows, course: Course, start: dict[str, Tensor] | None = None) -> Chain:
    """Train the network on windows, from chance or from a state before it."""
    torch.manual_seed(SEED)
    network = sight_network()
    if start is not None:
        network.load_state_dict(start)
    network = network.to(HOME, memory_format=torch.channels_last)
    bgr, things, feet = (
        torch.from_numpy(v).to(HOME) for v in (windows.bgr, windows.things, windows.feet)
    )

    def loss_of(network: Chain, _: float) -> Tensor:
        pick = torch.randint(len(bgr), (course.batch,), device=HOME)
        with torch.no_grad():
            levels, there = augment(bgr[pick].permute(0, 3, 1, 2).float(), things[pick])
        return losses(answers_to(network, levels), there, feet[pick])

    return run(network, loss_of, course)


def losses(predicted: Tensor, things: Tensor, feet: Tensor) -> Tensor:
    """Focal loss of where feet are; Gaussian likelihood of place and size there.

    Notes
    -----
    The focal loss with soft surroundings follows Law and Deng, "CornerNet", ECCV 2018 (from
    memory).
    """
    rows, columns = predicted.shape[2:]
    y = (torch.arange(rows, device=predicted.device) * CELL_PX + (CELL_PX - 1) / 2)[
        None, None, :, None
    ]
    x = (torch.arange(columns, device=predicted.device) * CELL_PX + (CELL_PX - 1) / 2)[
        None, None, None
    ]
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
    logit = predicted[:, 0]
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

    true = torch.stack(
        [of(off_x) / OFF_PX, of(off_y) / OFF_PX, (of(half) / HALF_PX).log(),
         (of(there[:, :, 3].clamp(min=2.0)) / HIGH_PX).log()], 1
    )  # fmt: skip
    answers = predicted.permute(0, 2, 3, 1)[chosen]
    wrong = answers[:, 1:5] - true
    sigma = answers[:, 5:8].clamp(*SIGMA_LOGS)
    likely = 0.5 * wrong[:, :3] ** 2 * torch.exp(-2 * sigma) + sigma
    loss: Tensor = score + 0.5 * wrong.abs().mean() * 4 + 0.25 * likely.sum(1).mean()
    return loss


def augment(x: Tensor, things: Tensor) -> tuple[Tensor, Tensor]:
    """Other light, colours, lenses and grain; half of the windows as in a mirror."""
    things = things.clone()
    mirrored = torch.rand(len(x), device=x.device) < 0.5
    x = torch.where(mirrored[:, None, None, None], x.flip(3), x)
    things[..., 0] = torch.where(mirrored[:, None], WIDE - 1 - things[..., 0], things[..., 0])
    x = grainy(through_lenses(relit(x, 0.12, 0.2, 1.5), 0.35, 1.4))
    coarse = torch.randn(len(x), 3, HIGH // 4, WIDE // 4, device=x.device)
    coarse = nnf.interpolate(coarse, size=x.shape[2:], mode="bilinear")
    x = x + coarse * drawn(x, 0, 1) ** 3 * 8
    return x.clamp(0, 255).round(), things
