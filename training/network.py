"""The gauge's network: about 6 million multiplications a window, 140 000 weights."""

from __future__ import annotations

import numpy as np
import torch
from torch import nn

from training.export import F32, LEVEL, SPAN, Layer

LAYERS = ((6, 24, 2), (24, 32, 2), (32, 48, 1), (48, 64, 2), (64, 64, 1))  # in, out, stride
NARROW, DENSE, LAST_SIDE = 16, 96, 6
SIDE, ANSWERS = 48, 6


class GaugeNet(nn.Module):
    """Convolutions down to 6 x 6, then a dense layer; input levels 0..255."""

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
        with torch.no_grad():  # a ball in the middle that fills its share of the window
            last.weight.mul_(0.1)
            last.bias.copy_(torch.tensor([0.0, 0.0, 0.0, -0.95, -3.0, -2.0]))

    def forward(self, levels: torch.Tensor) -> torch.Tensor:
        """(n, 6, 48, 48) levels to (n, 6) answers."""
        answers: torch.Tensor = self.blocks((levels - LEVEL) / SPAN).flatten(1)
        return answers

    def take_over(self, layers: list[Layer]) -> None:
        """Begin with the weights of a written network; normalisation stays fixed from then on."""
        left = iter(layers)
        with torch.no_grad():
            for block in self.blocks:
                if isinstance(block, nn.Conv2d):
                    weight, bias, *_ = next(left)
                    block.weight.copy_(torch.from_numpy(weight.copy()))
                    if block.bias is not None:
                        block.bias.copy_(torch.from_numpy(bias.copy()))
                elif isinstance(block, nn.BatchNorm2d):
                    assert block.running_var is not None
                    block.running_var.fill_(1.0 - block.eps)
                    block.bias.copy_(torch.from_numpy(bias.copy()))
        self.eval()


def folded(blocks: nn.Sequential) -> list[Layer]:
    """Return the convolutions of a chain, normalisation folded in."""
    out: list[Layer] = []
    for block in blocks:
        if isinstance(block, nn.Conv2d):
            weight = block.weight.detach().double()
            bias = torch.zeros(len(weight)).double() if block.bias is None else block.bias
            pair = (weight.cpu(), bias.detach().double().cpu())
            along = (block.stride[0], int(block.padding[0]), block.dilation[0])
            out.append((*map(_numbers, pair), *along))
        elif isinstance(block, nn.BatchNorm2d):
            weight_np, bias_np, *along_np = out.pop()
            assert block.running_mean is not None and block.running_var is not None
            root = torch.sqrt(block.running_var.detach().cpu().double() + block.eps)
            gain = _numbers(block.weight.detach().cpu().double() / root)
            mean, shift = (_numbers(v.detach().cpu()) for v in (block.running_mean, block.bias))
            weight_np = weight_np * gain[:, None, None, None]
            out.append((weight_np, shift + (bias_np - mean) * gain, *along_np))
    return out


def _numbers(tensor: torch.Tensor) -> F32:
    return np.asarray(tensor.numpy(), np.float32)
