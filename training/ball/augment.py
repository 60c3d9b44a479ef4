"""What other cameras, balls and codecs might do to a window, done to a batch on the GPU."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
import torch.nn.functional as nnf
from torch import Tensor

from shoegoal.ball.ball_net import SIDE, SPAN_DIAMETERS
from training.cameras import blurred

LUMA, CHROMA = [0, 3], [1, 2, 4, 5]
PASTED = 0.12  # of the windows without a ball


@dataclass(slots=True)
class Batch:
    """Windows (n, 6, 48, 48) of levels; answers (n, 3) as the network gives them; ball (n,) 0 or 1.

    `changed` (n,): the background model lacks the ball; `whole` (n,): the ball is all in view.
    """

    levels: Tensor
    answers: Tensor
    ball: Tensor
    changed: Tensor
    whole: Tensor


def augment(batch: Batch) -> Batch:
    """Return another batch; halves of it get what is drawn for the whole half."""
    x, answers, ball = batch.levels.float(), batch.answers.clone(), batch.ball.clone()
    x, ball = _settled_otherwise(x, ball, batch.changed)
    x = _repainted(x, answers, ball, batch.whole)
    x, answers, ball, changed, whole = _pasted(x, answers, ball, batch)
    x = _smeared(x, answers, ball, changed, whole)
    x = _rounded(_cluttered(x, ball), ball)
    x, answers = _turned(x, answers)
    x = _occluded(x)
    x = torch.cat([_filmed(part) for part in x.chunk(8)])
    x = _lit(x)
    x = _noisy(x)
    return replace(batch, levels=x.clamp(0, 255), answers=answers, ball=ball)


def _some(x: Tensor, share: float) -> Tensor:
    return torch.rand(len(x), device=x.device) < share


def _uniform(x: Tensor, low: float, high: float, columns: int = 1) -> Tensor:
    drawn = torch.rand(len(x), columns, 1, 1, device=x.device)
    return low + (high - low) * drawn


def _normal(x: Tensor, sigma: float, columns: int = 1) -> Tensor:
    return sigma * torch.randn(len(x), columns, 1, 1, device=x.device)


def _settled_otherwise(x: Tensor, ball: Tensor, changed: Tensor) -> tuple[Tensor, Tensor]:
    """Ball in the background model alone (no ball), in both, or in none."""
    now, settled = x[:, :3], x[:, 3:]
    drawn = torch.rand(len(x), device=x.device)
    moved = (ball > 0.5) & (changed > 0.5)
    swapped = moved & (drawn < 0.10)
    none = moved & (drawn >= 0.10) & (drawn < 0.13)
    both = (drawn >= 0.13) & (drawn < 0.23)
    pick = [m[:, None, None, None] for m in (swapped | none, swapped, both)]
    new_now = torch.where(pick[0], settled, now)
    new_settled = torch.where(pick[1] | pick[2], now, settled)
    return torch.cat([new_now, new_settled], 1), torch.where(swapped | none, 0.0, ball)


def _grid(x: Tensor) -> tuple[Tensor, Tensor]:
    at = (torch.arange(SIDE, device=x.device) - (SIDE - 1) / 2) / SIDE
    return at[None, None, None, :], at[None, None, :, None]


def _smooth_field(x: Tensor, channels: int, cells: int) -> Tensor:
    drawn = torch.randn(len(x), channels, cells, cells, device=x.device)
    return nnf.interpolate(drawn, size=(SIDE, SIDE), mode="bicubic", align_corners=False)


def _disc(x: Tensor, answers: Tensor, share: float = 0.5) -> Tensor:
    """Soft masks (n, 1, 48, 48) of the balls, out to a share of their diameter."""
    gx, gy = _grid(x)
    size, cx, cy = (v[:, None, None, None] for v in (answers[:, 2].exp(), *answers[:, :2].T))
    away = ((gx - cx) ** 2 + (gy - cy) ** 2).sqrt()
    return ((share * size - away) * SIDE / 1.5 + 0.5).clamp(0, 1)


def _paint(x: Tensor) -> tuple[Tensor, Tensor]:
    """Patches (n, 3, 48, 48), coarse to fine, for luma and chroma; and how much they count."""
    parts = zip(x.chunk(4), (3, 5, 8, 12), strict=True)
    field = torch.cat([_smooth_field(part, 3, cells) for part, cells in parts])
    patches = torch.where(_uniform(x, 0, 1) < 0.4, torch.sign(field), field)
    return patches * (_uniform(x, 0, 1) < 0.7), _uniform(x, 0.0, 1.0)


def _smeared(x: Tensor, answers: Tensor, ball: Tensor, changed: Tensor, whole: Tensor) -> Tensor:
    """Let some balls move on during a longer exposure, before the background model."""
    n = len(x) // 8
    x, rest = x[:n], x[n:]
    answers = answers[:n]
    chosen = (ball[:n] > 0.5) & (changed[:n] > 0.5) & (whole[:n] > 0.5)
    now, settled = x[:, :3], x[:, 3:]
    mask = _disc(x, answers)
    layer = torch.cat([now * mask, mask], 1)
    angle = math.pi * torch.rand(n, device=x.device)
    far = answers[:, 2].exp() * (0.2 + 1.1 * torch.rand(n, device=x.device))
    way = 2 * far[:, None] * torch.stack([angle.cos(), angle.sin()], 1)
    rows = torch.eye(2, 3, device=x.device).repeat(n, 1, 1)
    moved = torch.zeros_like(layer)
    times = 9
    for k in range(times):
        rows[:, :, 2] = way * ((k + 0.5) / times - 0.5)
        grid = nnf.affine_grid(rows, [n, 4, SIDE, SIDE], align_corners=False)
        moved += nnf.grid_sample(layer, grid, align_corners=False) / times
    hole = _disc(x, answers, 0.58)
    behind = now + hole * (settled - now)
    smeared = behind * (1 - moved[:, 3:]) + moved[:, :3]
    now = torch.where(chosen[:, None, None, None], smeared, now)
    return torch.cat([torch.cat([now, settled], 1), rest])


def _pasted(
    x: Tensor, answers: Tensor, ball: Tensor, batch: Batch
) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
    """Lay balls of other windows over some that hold none: of photographs on drawn ground, too.

    Returns the windows, answers, ball, changed and whole.
    """
    givers = torch.nonzero((ball > 0.5) & (batch.whole > 0.5)).flatten()
    takers = torch.nonzero((ball < 0.5) & _some(x, PASTED)).flatten()
    n = len(takers)
    if n == 0 or len(givers) == 0:
        return x, answers, ball, batch.changed, batch.whole
    pick = givers[torch.randint(len(givers), (n,), device=x.device)]
    old, meant = x[takers], _guessed(n, x.device)
    rows = _onto(answers[pick], meant, 0.4 * torch.randn(n, device=x.device))
    grid = nnf.affine_grid(rows, [n, 3, SIDE, SIDE], align_corners=False)
    paint = nnf.grid_sample(x[pick, :3], grid, padding_mode="border", align_corners=False)
    now = old[:, :3] * _shaded(old, meant)
    now = now + _disc(old, meant, 0.49) * (paint - now)
    lies = _some(old, 0.35)
    settled = torch.where(lies[:, None, None, None], now, old[:, 3:])
    out = [v.clone() for v in (x, answers, ball, batch.changed, batch.whole)]
    news = (torch.cat([now, settled], 1), meant, 1.0, (~lies).float(), 1.0)
    for whole, new in zip(out, news, strict=True):
        whole[takers] = new
    return out[0], out[1], out[2], out[3], out[4]


def _guessed(n: int, home: torch.device) -> Tensor:
    """Answers (n, 3) to windows laid round a ball by good and by poor guesses."""
    good = torch.rand(n, 1, device=home) < 0.5
    grow = torch.where(good, 0.12, 0.35) * torch.randn(n, 1, device=home)
    off = torch.where(good, 0.06, 0.17) * (2 * torch.rand(n, 2, device=home) - 1)
    return torch.cat([off, grow.clamp(-0.65, 0.65) - math.log(SPAN_DIAMETERS)], 1)


def _onto(theirs: Tensor, ours: Tensor, angle: Tensor) -> Tensor:
    """Affine maps (n, 2, 3), as `affine_grid` takes them, that bring balls to other places."""
    scale = (theirs[:, 2] - ours[:, 2]).exp()
    a, b = scale * angle.cos(), scale * angle.sin()
    x = theirs[:, 0] - a * ours[:, 0] + b * ours[:, 1]
    y = theirs[:, 1] - b * ours[:, 0] - a * ours[:, 1]
    return torch.stack([torch.stack([a, -b, 2 * x], 1), torch.stack([b, a, 2 * y], 1)], 1)


def _shaded(x: Tensor, answers: Tensor) -> Tensor:
    """Gains (n, 3, 48, 48) of the ground: under some balls lies a soft shadow."""
    gx, gy = _grid(x)
    size, cx, cy = (v[:, None, None, None] for v in (answers[:, 2].exp(), *answers[:, :2].T))
    right = (gx - cx) / size - _normal(x, 0.2)
    down = (gy - cy) / size - _uniform(x, 0.3, 0.55)
    dark = _uniform(x, 0.0, 0.6) * (_uniform(x, 0, 1) < 0.6)
    luma = 1 - dark * torch.exp(-9 * right.square() - 70 * down.square())
    return torch.cat([luma, torch.ones_like(luma), torch.ones_like(luma)], 1)


def _cluttered(x: Tensor, ball: Tensor) -> Tensor:
    """Lay bars and things with corners over some windows that hold no ball."""
    chosen = (_some(x, 0.25) & (ball < 0.5))[:, None, None, None]
    gx, gy = _grid(x)
    gx, gy = gx - _normal(x, 0.08), gy - _normal(x, 0.08)
    start, sides = _uniform(x, 0, 2 * math.pi), _uniform(x, 0, 1)
    size = 0.08 + 0.3 * _uniform(x, 0, 1)
    inside = torch.full_like(x[:, :1], 1e3)
    for k in range(3):
        # Two sides face each other (a bar), or three make a triangle.
        angle = start + k * torch.where(sides < 0.4, math.pi, 2 * math.pi / 3) + _normal(x, 0.2)
        room = size * _uniform(x, 0.6, 1.4) - gx * angle.cos() - gy * angle.sin()
        inside = torch.minimum(inside, room)
    mask = (inside * SIDE / 1.5 + 0.5).clamp(0, 1) * chosen
    return _laid(x, mask, _uniform(x, 0, 1) < 0.4)


def _rounded(x: Tensor, ball: Tensor) -> Tensor:
    """Lay round things that are no balls over some windows that hold none: loops, wheels, plates.

    Loops and rims have a hole, some of them a hub; plates are seen aslant. What is full and long
    lies still mostly, as a ball that moves is long, too.
    """
    chosen = (_some(x, 0.2) & (ball < 0.5))[:, None, None, None]
    gx, gy = _grid(x)
    gx, gy = gx - _normal(x, 0.06), gy - _normal(x, 0.06)
    angle, ring = _uniform(x, 0, math.pi), _uniform(x, 0, 1) < 0.5
    long = _uniform(x, 0.1, 0.3)
    aspect = torch.where(ring, _uniform(x, 1.0, 2.0), _uniform(x, 1.4, 3.0))
    along, across = gx * angle.cos() + gy * angle.sin(), gy * angle.cos() - gx * angle.sin()
    away = (along.square() + (across * aspect).square()).sqrt() / long
    edge = SIDE / 1.5 * long / aspect.sqrt()
    full = ((1 - away) * edge + 0.5).clamp(0, 1)
    hole = ((_uniform(x, 0.45, 0.85) - away) * edge + 0.5).clamp(0, 1)
    hub = ((_uniform(x, -0.3, 0.35) - away) * edge + 0.5).clamp(0, 1)
    mask = torch.where(ring, full * (1 - hole) + hub, full) * chosen
    return _laid(x, mask, _uniform(x, 0, 1) < torch.where(ring, 0.5, 0.85))


def _laid(x: Tensor, mask: Tensor, in_both: Tensor) -> Tensor:
    """Paint things (n, 1, 48, 48) of any colours over windows, in some background models, too."""
    patches, much = _paint(x)
    luma = _uniform(x, 10, 245) + 25 * much * patches[:, :1]
    chroma = 128 + _normal(x, 16.0, 2) + 12 * much * patches[:, 1:]
    thing = torch.cat([luma, chroma], 1)
    now = x[:, :3] + mask * (thing - x[:, :3])
    settled = x[:, 3:] + mask * in_both.float() * (thing - x[:, 3:])
    return torch.cat([now, settled], 1)


def _repainted(x: Tensor, answers: Tensor, ball: Tensor, whole: Tensor) -> Tensor:
    """Give some balls another paint and patches, in the background model too if it has them."""
    chosen = _some(x, 0.4) & (ball > 0.5) & (whole > 0.5)
    inside = _disc(x, answers) * chosen[:, None, None, None]
    now, settled = x[:, :3], x[:, 3:]
    alike = (now - settled).abs().amax(1, keepdim=True) < 14
    patches, much = _paint(x)
    gain = torch.exp(_normal(x, 0.35) + 0.4 * much * patches[:, :1])
    luma = (now[:, :1] - 16) * gain + 16
    angle = _uniform(x, -math.pi, math.pi)
    strength = _uniform(x, 0.2, 1.8)
    tint = _normal(x, 14.0, 2) + 18.0 * much * patches[:, 1:]
    u, v = now[:, 1:2] - 128, now[:, 2:3] - 128
    turned = torch.cat([u * angle.cos() - v * angle.sin(), u * angle.sin() + v * angle.cos()], 1)
    paint = torch.cat([luma, turned * strength + tint + 128], 1)
    new_now = now + inside * (paint - now)
    new_settled = settled + inside * alike * (paint - settled)
    return torch.cat([new_now, new_settled], 1)


def _turned(x: Tensor, answers: Tensor) -> tuple[Tensor, Tensor]:
    """Mirror, and for half of the batch turn, shift and scale a little."""
    flip = _some(x, 0.5)
    x = torch.where(flip[:, None, None, None], x.flip(3), x)
    sign = torch.where(flip, -1.0, 1.0)
    answers = torch.stack([answers[:, 0] * sign, answers[:, 1], answers[:, 2]], 1)
    n = len(x) // 2
    part, answers_now = x[:n], answers[:n]
    angle = 0.22 * torch.randn(n, device=x.device)
    log_scale = (0.12 * torch.randn(n, device=x.device)).clamp(-0.3, 0.3)
    shift = 0.06 * torch.randn(n, 2, device=x.device)
    scale = log_scale.exp()
    a, b = scale * angle.cos(), scale * angle.sin()
    rows = torch.stack(
        [torch.stack([a, -b, shift[:, 0]], 1), torch.stack([b, a, shift[:, 1]], 1)], 1
    )
    grid = nnf.affine_grid(rows, [n, 6, SIDE, SIDE], align_corners=False)
    part = nnf.grid_sample(part, grid, padding_mode="border", align_corners=False)
    off = 2 * answers_now[:, :2] - shift
    back = torch.stack([a * off[:, 0] + b * off[:, 1], -b * off[:, 0] + a * off[:, 1]], 1)
    centre = back / (2 * scale[:, None] ** 2)
    answers_now = torch.cat([centre, (answers_now[:, 2] - log_scale)[:, None]], 1)
    return torch.cat([part, x[n:]]), torch.cat([answers_now, answers[n:]])


def _occluded(x: Tensor) -> Tensor:
    """Lay a bar of one colour over some windows, in the present picture alone."""
    chosen = _some(x, 0.08)[:, None, None, None]
    gx, gy = _grid(x)
    angle, off = _uniform(x, 0, math.pi), _uniform(x, -0.3, 0.3)
    far = (gx * angle.cos() + gy * angle.sin() - off).abs()
    bar = (far < _uniform(x, 0.02, 0.06)) & chosen
    colour = torch.cat([_uniform(x, 20, 230), _uniform(x, 100, 156, 2)], 1)
    return torch.cat([torch.where(bar, colour, x[:, :3]), x[:, 3:]], 1)


def _filmed(x: Tensor) -> Tensor:
    """Blur, sharpen, fewer pixels or coarse chroma, one draw for all of `x`."""
    way = float(torch.rand(()))
    if way < 0.25:
        return blurred(x, 0.4 + 1.2 * float(torch.rand(())))
    if way < 0.45:
        return x + (0.2 + 1.3 * float(torch.rand(()))) * (x - blurred(x, 0.8))
    if way < 0.60:
        side = int(torch.randint(12, 40, ()))
        small = nnf.interpolate(x, size=(side, side), mode="area")
        return nnf.interpolate(small, size=(SIDE, SIDE), mode="bilinear", align_corners=False)
    if way < 0.75:
        cell = int(torch.randint(2, 7, ()))
        chroma = nnf.avg_pool2d(x[:, CHROMA], cell, ceil_mode=True)
        chroma = nnf.interpolate(chroma, scale_factor=cell, mode="nearest")[..., :SIDE, :SIDE]
        return torch.cat([x[:, :1], chroma[:, :2], x[:, 3:4], chroma[:, 2:]], 1)
    return x


def _lit(x: Tensor) -> Tensor:
    """Brightness, contrast, gamma and colour, nearly alike for both pictures."""
    luma, chroma = x[:, LUMA], x[:, CHROMA] - 128
    later = _some(x, 0.5)[:, None, None, None]
    share = (luma.clamp(1, 255) / 255) ** torch.exp(_normal(x, 0.2))
    luma = (share * 255 - 110) * torch.exp(_normal(x, 0.2)) + 110 + _normal(x, 14.0)
    drift = torch.cat([torch.zeros_like(luma[:, :1, :1, :1]), _normal(x, 2.5)], 1) * later
    luma = luma * torch.exp(0.012 * drift) + drift
    wide = _some(x, 0.4)[:, None, None, None]
    angle = torch.where(wide, _uniform(x, -math.pi, math.pi), _normal(x, 0.12))
    strength = _uniform(x, 0.3, 1.6)
    u, v = chroma[:, 0::2], chroma[:, 1::2]
    cos, sin = strength * angle.cos(), strength * angle.sin()
    u, v = u * cos - v * sin, u * sin + v * cos
    cast = _normal(x, 5.0, 2) + 128
    u, v = u + cast[:, :1], v + cast[:, 1:]
    return torch.cat([luma[:, :1], u[:, :1], v[:, :1], luma[:, 1:], u[:, 1:], v[:, 1:]], 1)


def _noisy(x: Tensor) -> Tensor:
    """Grain, some of it coarse; the background model has grain of its own."""
    loud = _uniform(x, 0, 1).square() * 9.0
    fine = torch.randn_like(x)
    coarse = nnf.interpolate(
        torch.randn(len(x), 6, SIDE // 2, SIDE // 2, device=x.device),
        scale_factor=2,
        mode="nearest",
    )
    return x + loud * torch.where(_uniform(x, 0, 1) < 0.5, fine, coarse) * (_uniform(x, 0, 1) < 0.6)
