"""What other lenses, lights and sensors do to a batch of colour windows, on the GPU."""

from __future__ import annotations

import torch
import torch.nn.functional as nnf
from torch import Tensor

REACH = 4  # of a blur, px


def drawn(x: Tensor, low: float, high: float, channels: int = 1) -> Tensor:
    """Draw one number a window, or one a channel."""
    return low + (high - low) * torch.rand(len(x), channels, 1, 1, device=x.device)


def blurred(x: Tensor, sigma: float) -> Tensor:
    """Blur all channels alike; a border goes on as it ends."""
    channels = x.shape[1]
    at = torch.arange(-REACH, REACH + 1, device=x.device, dtype=x.dtype)
    row = torch.exp(-0.5 * (at / sigma) ** 2)
    row = (row / row.sum()).expand(channels, 1, 1, 2 * REACH + 1)
    padded = nnf.pad(x, (REACH,) * 4, mode="replicate")
    return nnf.conv2d(
        nnf.conv2d(padded, row, groups=channels), row.transpose(2, 3), groups=channels
    )


def through_lenses(x: Tensor, sharp: float, widest: float) -> Tensor:
    """Blur an eighth of the batch after the other, or sharpen it, or leave it as it is.

    Parameters
    ----------
    sharp : share that is left as it is.
    widest : most that the widest blur's sigma is over the narrowest, 0.4 px.
    """

    def one(part: Tensor) -> Tensor:
        luck = float(torch.rand(()))
        if luck < sharp:
            return part
        soft = blurred(part, 0.4 + widest * float(torch.rand(())))
        return soft if luck < 0.75 else part + 0.7 * (part - soft)

    return torch.cat([one(part) for part in x.chunk(8)])


def relit(x: Tensor, cast: float, least: float, most: float) -> Tensor:
    """Other brightness, contrast and colour of levels 0..255.

    Parameters
    ----------
    cast : standard deviation of the channels' gains.
    least, most : of how strong colours are.
    """
    x = (x / 255).clamp(1e-3, 1) ** drawn(x, 0.7, 1.4)
    x = x * drawn(x, 0.6, 1.3) * (1 + cast * torch.randn(len(x), 3, 1, 1, device=x.device))
    grey = x.mean(1, keepdim=True)
    return 255 * (grey + (x - grey) * drawn(x, least, most))


def grainy(x: Tensor) -> Tensor:
    """Add grain, mostly little."""
    return x + torch.randn_like(x) * drawn(x, 0, 1) ** 3 * 14
