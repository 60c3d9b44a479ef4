"""One typed door to numba, so that kernels keep their signatures under strict typing."""

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function once, cached on disk.

    Parameters
    ----------
    function
        Plain numeric Python.
    """
    compiled = numba.njit(cache=True, fastmath=True, nogil=True, error_model="numpy")(function)
    return cast(Callable[P, R], compiled)
