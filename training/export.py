"""Writes a chain of convolutions as an ONNX file of plain operators."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import onnx
from onnx import TensorProto, helper, numpy_helper

CHANNELS, SIDE, ANSWERS = 6, 48, 6
LEVEL, SPAN = 128.0, 64.0
OPSET, IR_VERSION = 13, 8
F32 = npt.NDArray[np.float32]
Layer = tuple[F32, F32, int, int]  # weights (out, in, h, w), biases, stride, padding


def write_onnx(layers: list[Layer], path: Path) -> None:
    """Write the network with plain operators and any batch size."""
    # The levels are brought to scale by a convolution, so that the borders' zeros mean mid-grey.
    eye = np.full((CHANNELS, 1, 1, 1), 1 / SPAN, np.float32)
    weights = [_weight("scale", eye), _weight("shift", np.full(CHANNELS, -LEVEL / SPAN))]
    nodes = [helper.make_node("Conv", ["windows", "scale", "shift"], ["x0"], group=CHANNELS)]
    for k, (weight, bias, stride, padding) in enumerate(layers):
        weights += [_weight(f"w{k}", weight), _weight(f"b{k}", bias)]
        last = k == len(layers) - 1
        nodes.append(
            helper.make_node(
                "Conv",
                [f"x{k}", f"w{k}", f"b{k}"],
                [f"c{k}"],
                kernel_shape=list(weight.shape[2:]),
                strides=[stride, stride],
                pads=[padding] * 4,
            )
        )
        if not last:
            nodes.append(helper.make_node("Relu", [f"c{k}"], [f"x{k + 1}"]))
    nodes.append(helper.make_node("Flatten", [f"c{len(layers) - 1}"], ["readings"], axis=1))
    shape_in, shape_out = ["n", CHANNELS, SIDE, SIDE], ["n", ANSWERS]
    graph = helper.make_graph(
        nodes,
        "ball_gauge",
        [helper.make_tensor_value_info("windows", TensorProto.FLOAT, shape_in)],
        [helper.make_tensor_value_info("readings", TensorProto.FLOAT, shape_out)],
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
            out.append((weight, bias, extra["strides"][0], extra["pads"][0]))
    return out


def _weight(name: str, values: npt.ArrayLike) -> TensorProto:
    return numpy_helper.from_array(np.ascontiguousarray(values, np.float32), name)
