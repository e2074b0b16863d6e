"""Spacing and noise of a cloud from one tree, and the tree of few points where the cloud has millions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.sampling import noise_level, point_spacing, rough_tree
from pipeline.part import FloatArray


@dataclass(frozen=True, slots=True)
class Gauge:
    """The two lengths that every default scales with, millimetres."""

    spacing: float
    noise: float


def gauge(points: FloatArray) -> Gauge:
    """Spacing and noise of points (n, 3), millimetres; n >= 2."""
    tree = rough_tree(points)
    return Gauge(max(point_spacing(points, tree), np.finfo(float).tiny), noise_level(points, tree))
