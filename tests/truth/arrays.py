"""Names for the arrays that the renderer passes around."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]
Field = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]
Whole = NDArray[np.int64]
