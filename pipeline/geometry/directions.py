"""Directions spread evenly over a sphere."""

from __future__ import annotations

import numpy as np

from pipeline.part import FloatArray


def directions_around(count: int) -> FloatArray:
    """(count, 3) unit vectors, from the top down: the spherical Fibonacci lattice (cited from memory)."""
    step = np.arange(count) + 0.5
    height = 1 - 2 * step / count
    turn = step * np.pi * (3 - np.sqrt(5))
    flat = np.sqrt(1 - height**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)
