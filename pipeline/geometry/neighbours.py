"""Nearest neighbours, and walking through them in pieces that fit the processor's cache.

The inner loops of the surface work on vectors stored by component, (3, n) float32: one gather and a few
multiplications over a piece of a few thousand rows cost a fraction of the same on (n, k, 3) arrays.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.part import FloatArray, IndexArray

Columns = NDArray[np.float32]
"""(3, n) float32: x, y and z each in one stretch of memory."""
PIECE = 8_192


def nearest(tree: cKDTree, targets: FloatArray, count: int) -> tuple[FloatArray, IndexArray]:
    """(n, k) distances and (n, k) int32 indices of the k nearest points, nearest first; k is at most ``count``."""
    within = min(count, tree.n)
    distance, index = tree.query(targets, k=np.arange(1, within + 1), workers=-1)
    return np.asarray(distance), np.asarray(index, np.int32)


def columns(vectors: NDArray[np.floating]) -> Columns:
    """(3, n) from (n, 3)."""
    return np.ascontiguousarray(vectors.T, np.float32)


def rows(vectors: Columns) -> FloatArray:
    """(n, 3) from (3, n)."""
    return np.ascontiguousarray(vectors.T, np.float64)


def pieces(count: int) -> Iterator[slice]:
    """0..count-1 cut into pieces."""
    for start in range(0, count, PIECE):
        yield slice(start, min(start + PIECE, count))


def gathered(vectors: Columns, index: IndexArray) -> list[NDArray[np.float32]]:
    """The three components, each in the shape of ``index``."""
    return [component[index] for component in vectors]


def offsets(points: Columns, index: IndexArray, targets: Columns) -> list[NDArray[np.float32]]:
    """The three components (n, k) of the way from each target (3, n) to its neighbours."""
    return [component[index] - target[:, None] for component, target in zip(points, targets, strict=True)]


def dot(one: list[NDArray[np.float32]], other: Columns) -> NDArray[np.float32]:
    """(n, k) products of gathered vectors (n, k) with one vector (3, n) a row."""
    return np.asarray(one[0] * other[0][:, None] + one[1] * other[1][:, None] + one[2] * other[2][:, None])


def weighted_sum(share: NDArray[np.float32], vectors: list[NDArray[np.float32]]) -> Columns:
    """(3, n) sum over each row of gathered vectors."""
    return np.stack([np.einsum("nk,nk->n", share, component) for component in vectors])


def normalised(vectors: Columns) -> Columns:
    """Vectors at length one; a zero vector stays zero."""
    length = np.sqrt(vectors[0] ** 2 + vectors[1] ** 2 + vectors[2] ** 2)
    return np.asarray(vectors / np.maximum(length, np.float32(1e-20)))
