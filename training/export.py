"""Writes a chain of convolutions as an ONNX file of plain operators."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import onnx
from onnx import TensorProto, helper, numpy_helper

LEVEL, SPAN = 128.0, 64.0
OPSET, IR_VERSION = 13, 8
F32 = npt.NDArray[np.float32]
Layer = tuple[F32, F32, int, int, int]  # weights (out, in, h, w), biases, stride, padding, dilation


def write_onnx(
    layers: list[Layer], path: Path, name: str, side: int | None = None, *, flat: bool = False
) -> None:
    """Write a network with plain operators and any batch size.

    Parameters
    ----------
    layers : convolutions, each but the last followed by a rectifier.
    name : what the graph is called.
    side : of the square windows it looks at, px; None: any height and width.
    flat : the answers come without height and width.
    """
    channels, answers = layers[0][0].shape[1], layers[-1][0].shape[0]
    # The levels are brought to scale by a convolution, so that the borders' zeros mean mid-grey.
    eye = np.full((channels, 1, 1, 1), 1 / SPAN, np.float32)
    weights = [_weight("scale", eye), _weight("shift", np.full(channels, -LEVEL / SPAN))]
    nodes = [helper.make_node("Conv", ["windows", "scale", "shift"], ["x0"], group=channels)]
    for k, (weight, bias, stride, padding, dilation) in enumerate(layers):
        weights += [_weight(f"w{k}", weight), _weight(f"b{k}", bias)]
        last = k == len(layers) - 1
        nodes.append(
            helper.make_node(
                "Conv",
                [f"x{k}", f"w{k}", f"b{k}"],
                ["readings" if last and not flat else f"c{k}"],
                kernel_shape=list(weight.shape[2:]),
                strides=[stride, stride],
                pads=[padding] * 4,
                dilations=[dilation, dilation],
            )
        )
        if not last:
            nodes.append(helper.make_node("Relu", [f"c{k}"], [f"x{k + 1}"]))
    if flat:
        nodes.append(helper.make_node("Flatten", [f"c{len(layers) - 1}"], ["readings"], axis=1))
    size: list[str | int] = ["h", "w"] if side is None else [side, side]
    graph = helper.make_graph(
        nodes,
        name,
        [helper.make_tensor_value_info("windows", TensorProto.FLOAT, ["n", channels, *size])],
        [
            helper.make_tensor_value_info(
                "readings", TensorProto.FLOAT, ["n", answers] if flat else ["n", answers, "p", "q"]
            )
        ],
        weights,
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", OPSET)])
    model.ir_version = IR_VERSION
    onnx.checker.check_model(model)
    path.write_bytes(model.SerializeToString())


def read_onnx(path: Path) -> list[Layer]:
    """Read the layers of a file that `write_onnx` wrote."""
    graph = onnx.load(str(path)).graph
    held = {w.name: numpy_helper.to_array(w) for w in graph.initializer}
    out = []
    for node in graph.node:
        if node.op_type == "Conv" and node.input[1] != "scale":
            extra = {a.name: list(a.ints) for a in node.attribute}
            weight, bias = (np.asarray(held[name], np.float32) for name in node.input[1:])
            dilation = extra.get("dilations", [1])[0]
            out.append((weight, bias, extra["strides"][0], extra["pads"][0], dilation))
    return out


def mixed(old: list[Layer], new: list[Layer], share: float) -> list[Layer]:
    """Lie between two networks, the second of which went on from the first.

    Notes
    -----
    What was learnt before is lost less than what comes new is gained: Wortsman and others, "Robust
    fine-tuning of zero-shot models", CVPR 2022 (from memory).
    """
    return [
        (a[0] * (1 - share) + b[0] * share, a[1] * (1 - share) + b[1] * share, *b[2:])
        for a, b in zip(old, new, strict=True)
    ]


def _weight(name: str, values: npt.ArrayLike) -> TensorProto:
    return numpy_helper.from_array(np.ascontiguousarray(values, np.float32), name)
