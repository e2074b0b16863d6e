"""Weights that let what lies far off count for nothing."""

from __future__ import annotations

import numpy as np

from pipeline.part import FloatArray


def tukey(residual: FloatArray, reach: float) -> FloatArray:
    """Tukey's biweight: 1 at zero, 0 from ``reach`` on."""
    return np.asarray(np.maximum(1 - (residual / reach) ** 2, 0.0) ** 2, np.float64)
