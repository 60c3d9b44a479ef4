"""Networks that are chains of convolutions, so that they can be written as plain ONNX."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from torch import nn

from training.export import F32, LEVEL, SPAN, Layer

Convolution = tuple[int, int, int]  # channels in, channels out, stride


class Chain(nn.Module):
    """Levels 0..255 to answers.

    Parameters
    ----------
    blocks : convolutions, each normalised, rectified or both, and a last one that answers.
    first : the answers before anything is learnt.
    flat : the answers come without height and width.
    """

    def __init__(self, blocks: list[nn.Module], first: Sequence[float], *, flat: bool) -> None:
        super().__init__()
        self.blocks, self._flat = nn.Sequential(*blocks), flat
        last = blocks[-1]
        assert isinstance(last, nn.Conv2d) and last.bias is not None
        with torch.no_grad():
            last.weight.mul_(0.1)
            last.bias.copy_(torch.tensor(first))

    def forward(self, levels: torch.Tensor) -> torch.Tensor:
        """Answers (n, answers), or (n, answers, height, width) where they are not flat."""
        answers: torch.Tensor = self.blocks((levels - LEVEL) / SPAN)
        return answers.flatten(1) if self._flat else answers

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
                    assert block.running_mean is not None
                    block.running_mean.zero_()
                    block.running_var.fill_(1.0 - block.eps)
                    block.weight.fill_(1.0)
                    block.bias.copy_(torch.from_numpy(bias.copy()))
        self.eval()

    def layers(self) -> list[Layer]:
        """Return the convolutions, normalisation folded in."""
        out: list[Layer] = []
        for block in self.blocks:
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


def normalised(
    into: int, out: int, side: int, stride: int = 1, dilation: int = 1
) -> list[nn.Module]:
    """Return a convolution that keeps the size, but for its stride, normalised and rectified."""
    padding = dilation * (side // 2)
    convolution = nn.Conv2d(into, out, side, stride, padding, dilation, bias=False)
    return [convolution, nn.BatchNorm2d(out), nn.ReLU(inplace=True)]


def window_network(
    layers: Sequence[Convolution], narrow: int, dense: int, last_side: int, first: Sequence[float]
) -> Chain:
    """Return convolutions down to a few cells, then a dense layer: one answer a window."""
    blocks: list[nn.Module] = []
    for into, out, stride in layers:
        blocks += normalised(into, out, 3, stride)
    blocks += normalised(layers[-1][1], narrow, 1)
    blocks += [nn.Conv2d(narrow, dense, last_side), nn.ReLU(inplace=True)]
    return Chain([*blocks, nn.Conv2d(dense, len(first), 1)], first, flat=True)


def _numbers(tensor: torch.Tensor) -> F32:
    return np.asarray(tensor.numpy(), np.float32)
