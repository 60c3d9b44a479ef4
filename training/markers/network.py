"""The network that sees standing things: a chain of convolutions, about 125 000 weights."""

from __future__ import annotations

import torch
from torch import nn

from training.export import LEVEL, SPAN

ANSWERS = 8  # logit; x, y off the cell's middle; half length, height; sigmas of x, y, half length
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


class SightNet(nn.Module):
    """Levels (n, 3, h, w) to answers (n, ANSWERS, h / 4, w / 4)."""

    def __init__(self) -> None:
        super().__init__()
        blocks: list[nn.Module] = []
        for into, out, stride, dilation in LAYERS:
            blocks.append(nn.Conv2d(into, out, 3, stride, dilation, dilation, bias=False))
            blocks += [nn.BatchNorm2d(out), nn.ReLU(inplace=True)]
        blocks += [nn.Conv2d(48, 64, 1), nn.ReLU(inplace=True), nn.Conv2d(64, ANSWERS, 1)]
        self.blocks = nn.Sequential(*blocks)
        last = blocks[-1]
        assert isinstance(last, nn.Conv2d) and last.bias is not None
        with torch.no_grad():
            last.weight.mul_(0.1)
            last.bias.copy_(torch.tensor([-4.0, 0.0, 0.0, 0.0, 0.0, -1.0, -1.0, -1.0]))

    def forward(self, levels: torch.Tensor) -> torch.Tensor:
        """Levels 0..255 to answers."""
        answers: torch.Tensor = self.blocks((levels - LEVEL) / SPAN)
        return answers
