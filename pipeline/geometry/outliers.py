"""Points that belong to no surface: strays, the flying points of depth edges, small floating groups.

Nothing here compares a point with the whole cloud. A point is judged against its own neighbourhood, so that a
sparse side of a part stands beside a dense one. Most points sit in well filled cells and need no look at
all; only the others pay for a neighbour search.

The density ratio is the idea of the local outlier factor (Breunig, Kriegel, Ng and Sander, "LOF: identifying
density-based local outliers", SIGMOD 2000), with the distance to the k-th neighbour as the inverse density.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.voxels import voxels
from pipeline.part import BoolArray, FloatArray

NEIGHBOURS = 12
CELL_IN_SPACINGS = 2.5
# A surface at the median spacing puts (3 cells)^2 = 56 points into the 27 cells around a point.
WELL_FILLED = 18


class Cause(IntEnum):
    """Why a point was removed; the number is what ``removed.ply`` carries."""

    KEPT = 0
    STRAY = 1
    FLYING = 2
    FLOATING_GROUP = 3


def outliers(
    points: FloatArray, spacing: float, noise: float, *, density_ratio: float, smallest_group: int
) -> NDArray[np.uint8]:
    """The cause for which each point is an outlier, 0 where it is none.

    Parameters
    ----------
    points : (n, 3), millimetres
    spacing, noise : of the cloud, millimetres
    density_ratio : how many times further than its neighbours' own a point's neighbours may lie
    smallest_group : a connected group of fewer points is no surface
    """
    cause = np.zeros(len(points), np.uint8)
    cells = voxels(points, max(CELL_IN_SPACINGS * spacing, 2.0 * noise))
    thin = (cells.around @ cells.count < WELL_FILLED)[cells.of_point]
    suspects = np.flatnonzero(thin)
    if len(suspects) and len(points) > NEIGHBOURS:
        stray, flying = _judged(points, suspects, noise, density_ratio)
        cause[suspects[flying]] = Cause.FLYING
        cause[suspects[stray]] = Cause.STRAY
    kept = np.flatnonzero(cause == 0)
    if len(kept):
        cause[kept[_in_small_group(points[kept], spacing, noise, smallest_group)]] = Cause.FLOATING_GROUP
    return cause


def _judged(
    points: FloatArray, suspects: NDArray[np.intp], noise: float, density_ratio: float
) -> tuple[BoolArray, BoolArray]:
    """Which suspects are strays (far from a denser surface) and which fly (in a cloud that is no surface)."""
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    distance, index = tree.query(points[suspects], k=NEIGHBOURS + 1, workers=-1)
    reach = np.full(len(points), np.nan)
    reach[suspects] = distance[:, -1]
    others = np.setdiff1d(index[:, 1:], suspects)
    reach[others] = tree.query(points[others], k=[NEIGHBOURS + 1], workers=-1)[0][:, 0]
    ratio = distance[:, -1] / np.maximum(np.median(reach[index[:, 1:]], axis=1), np.finfo(float).tiny)
    stray = (ratio > density_ratio) & (distance[:, -1] > 4.0 * noise)
    patch = points[index] - points[index].mean(axis=1, keepdims=True)
    deviations = np.sqrt(np.maximum(np.linalg.eigvalsh(np.einsum("nki,nkj->nij", patch, patch)), 0.0) / index.shape[1])
    # A surface is a sheet: thin against its width, or as thin as the noise. A wire or a cloud of points is none.
    thick = (deviations[:, 0] > 0.35 * deviations[:, 1]) & (deviations[:, 0] > 3.0 * noise)
    return stray, thick & ~stray


def _in_small_group(points: FloatArray, spacing: float, noise: float, smallest: int) -> BoolArray:
    cells = voxels(points, max(4.0 * spacing, 2.0 * noise))
    number, label = cells.components()
    size = np.bincount(label, weights=cells.count, minlength=number)
    # The largest group is never small, however few points there are.
    size[np.argmax(size)] = np.inf
    return (size < smallest)[label][cells.of_point]
