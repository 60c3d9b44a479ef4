"""Names for the arrays that the renderer passes around."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Whole = NDArray[np.int64]
