"""Nearest neighbours from a k-d tree, always in the same shape and type."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.part import FloatArray, IndexArray


def nearest(tree: cKDTree, targets: FloatArray, count: int) -> tuple[FloatArray, IndexArray]:
    """(n, k) distances and (n, k) int32 indices of the k nearest points, nearest first; k is at most ``count``."""
    within = min(count, tree.n)
    distance, index = tree.query(targets, k=np.arange(1, within + 1), workers=-1)
    return np.asarray(distance), np.asarray(index, np.int32)
