"""The network that sees the ends of a shoe: 170 000 weights, about 10 million multiplications."""

from __future__ import annotations

import torch
from torch import nn

from training.export import LEVEL, SPAN

ANSWERS = 6  # heel x, y, toe x, y from the window's middle, in sides; logs of their sigmas
LAYERS = ((4, 24, 2), (24, 32, 2), (32, 48, 1), (48, 64, 2), (64, 64, 1))  # in, out, stride
NARROW, DENSE, LAST_SIDE = 20, 112, 8


class ShoeNet(nn.Module):
    """Convolutions down to 8 x 8, then a dense layer; input levels 0..255."""

    def __init__(self) -> None:
        super().__init__()
        blocks: list[nn.Module] = []
        for into, out, stride in LAYERS:
            blocks += [nn.Conv2d(into, out, 3, stride, 1, bias=False), nn.BatchNorm2d(out)]
            blocks.append(nn.ReLU(inplace=True))
        blocks += [nn.Conv2d(LAYERS[-1][1], NARROW, 1, bias=False), nn.BatchNorm2d(NARROW)]
        blocks += [nn.ReLU(inplace=True), nn.Conv2d(NARROW, DENSE, LAST_SIDE)]
        blocks += [nn.ReLU(inplace=True), nn.Conv2d(DENSE, ANSWERS, 1)]
        self.blocks = nn.Sequential(*blocks)
        last = blocks[-1]
        assert isinstance(last, nn.Conv2d) and last.bias is not None
        with torch.no_grad():  # a shoe in the middle, not seen well
            last.weight.mul_(0.1)
            last.bias.copy_(torch.tensor([0.0, 0.1, 0.0, 0.1, -1.5, -1.5]))

    def forward(self, levels: torch.Tensor) -> torch.Tensor:
        """(n, 4, 64, 64) levels to (n, 6) answers."""
        answers: torch.Tensor = self.blocks((levels - LEVEL) / SPAN).flatten(1)
        return answers
