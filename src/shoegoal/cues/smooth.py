"""Places at any moment from pictures at uneven times: local fits over time, never over numbers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

REACH_S = 0.09  # pictures this far off have no say; two or three on each side at 30 a second
LEAST_WEIGHT = 1e-6
WILD_SCALES = 3.0  # residuals this many times the usual one lose their say; no source


def smoothed(times_s: F64, values: F64, at_s: npt.ArrayLike, weights: F64 | None = None) -> F64:
    """Fit a parabola in time round each moment, and read it off there.

    Local weighted least squares with a tricube kernel (Cleveland 1979); a second round
    gives single wild pictures less say. Where fewer than four pictures are within reach, the
    nearest four are used, and the fit is a straight line.

    Parameters
    ----------
    times_s : (T,) presentation times, rising.
    values : (T, ...) what was measured.
    at_s : (M,) moments.
    weights : (T,) trust in each picture, 0..1; all alike by default.

    Returns
    -------
    (M, ...) smoothed values.

    Raises
    ------
    ValueError
        There is no picture.
    """
    if not len(times_s):
        raise ValueError("nothing to smooth")
    moments = np.atleast_1d(np.asarray(at_s, np.float64))
    trust = np.ones(len(times_s)) if weights is None else np.maximum(weights, LEAST_WEIGHT)
    flat = values.reshape(len(times_s), -1)
    delta = times_s - moments[:, None]
    away = np.abs(delta)
    fourth = np.sort(away, axis=1)[:, min(3, len(times_s) - 1)]
    reach = np.maximum(REACH_S, 1.01 * fourth)[:, None]
    kernel = np.clip(1 - (away / reach) ** 3, 0.0, None) ** 3 * trust
    design = (delta / reach)[:, :, None] ** np.arange(3)
    design[reach[:, 0] > REACH_S, :, 2] = 0.0  # a straight line there
    weight = np.repeat(kernel[:, :, None], flat.shape[1], axis=2)
    fitted = _solved(design, flat, weight)
    off = np.abs(flat - np.einsum("mti,mci->mtc", design, fitted))
    scale = np.maximum(_weighted_scale(off, kernel), 1e-9)[:, None]
    fitted = _solved(
        design, flat, weight * np.clip(1 - (off / (WILD_SCALES * scale)) ** 2, LEAST_WEIGHT, None)
    )
    return fitted[:, :, 0].reshape(len(moments), *values.shape[1:])


def _weighted_scale(off: F64, kernel: F64) -> F64:
    """Root mean square of residuals (M, T, C) under weights (M, T): (M, C)."""
    total = np.maximum(kernel.sum(axis=1, keepdims=True), LEAST_WEIGHT)
    scale: F64 = np.sqrt(np.einsum("mt,mtc->mc", kernel, off**2) / total)
    return scale


def _solved(design: F64, values: F64, weights: F64) -> F64:
    """Weighted least squares at each moment, column by column: (M, columns, 3)."""
    count, pictures, terms = design.shape
    columns = weights.transpose(0, 2, 1)
    products = (design[..., :, None] * design[..., None, :]).reshape(count, pictures, -1)
    normal = (columns @ products).reshape(count, -1, terms, terms)
    size = np.trace(normal, axis1=2, axis2=3)[:, :, None, None]
    normal = normal + 1e-10 * np.maximum(size, LEAST_WEIGHT) * np.eye(3)
    right = (columns * values.T) @ design
    solved: F64 = np.linalg.solve(normal, right[..., None])[..., 0]
    return solved
