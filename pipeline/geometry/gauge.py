"""Spacing and noise of a cloud from one tree and one search."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.sampling import (
    AREAL_NEIGHBOURS,
    QUADRIC_NEIGHBOURS,
    areal_spacing,
    noise_level,
    patch_noise,
    point_spacing,
    rough_tree,
    sampled,
)
from pipeline.part import FloatArray

NOISE_SAMPLE = 1_000
SMALLEST = float(np.finfo(float).tiny)
"""Points that all coincide have no spacing, but lengths that scale with it must not vanish."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """The two lengths that every default scales with, millimetres."""

    spacing: float
    noise: float


def gauge(points: FloatArray, tree: cKDTree | None = None) -> Gauge:
    """Spacing and noise of points (n, 3), millimetres; n >= 2. One search answers both.

    Parameters
    ----------
    tree : a k-d tree of ``points`` when there is one already
    """
    if len(points) <= QUADRIC_NEIGHBOURS:
        return Gauge(max(point_spacing(points, tree), SMALLEST), noise_level(points, tree))
    tree = tree if tree is not None else rough_tree(points)
    distance, index = tree.query(sampled(points), k=QUADRIC_NEIGHBOURS, workers=-1)
    spacing = areal_spacing(distance[:, AREAL_NEIGHBOURS], AREAL_NEIGHBOURS)
    return Gauge(max(spacing, SMALLEST), patch_noise(points[index[:NOISE_SAMPLE]]))
