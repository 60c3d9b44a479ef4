"""The networks that come with the package, and the one runtime that runs them.

Each runs on one thread, so that a count does not take the cores of the counts beside it.
"""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from shoegoal.errors import ShoegoalError

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

F32 = npt.NDArray[np.float32]
_ERRORS_ONLY = 3


class Network:
    """A network of one input; made by `read_network`."""

    def __init__(self, session: InferenceSession) -> None:
        self._session = session
        self._input = session.get_inputs()[0].name

    def run(self, batch: F32) -> list[F32]:
        """Run it on (N, ...) float32 and return its outputs in the order of the file."""
        return [
            np.asarray(out, np.float32) for out in self._session.run(None, {self._input: batch})
        ]


def load_network(room: str, name: str) -> Network:
    """Load a network of a room's folder ``models``; errors as `read_network`."""
    with as_file(files(f"shoegoal.{room}") / "models" / name) as path:
        return read_network(path)


def read_network(path: Path) -> Network:
    """Read a network's file.

    Raises
    ------
    ShoegoalError
        It is missing or damaged.
    """
    import onnxruntime  # here, for it takes a while that many commands need not wait

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = _ERRORS_ONLY
    try:
        session = onnxruntime.InferenceSession(
            str(path), options, providers=["CPUExecutionProvider"]
        )
    except Exception as error:  # the runtime's errors share no base of their own
        raise ShoegoalError(
            f"A network's file cannot be read ({path}): install shoegoal again."
        ) from error
    return Network(session)
