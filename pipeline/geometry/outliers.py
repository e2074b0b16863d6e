"""Points that belong to no surface: strays, the flying points of depth edges, small floating groups.

Nothing here compares a point with the whole cloud. A point is judged against its own neighbourhood, so that a
sparse side of a part stands beside a dense one. Most points sit in cells as well filled as those around them and
need no look at all; only the others pay for a neighbour search.

The density ratio is the idea of the local outlier factor (Breunig, Kriegel, Ng and Sander, "LOF: identifying
density-based local outliers", SIGMOD 2000), with the distance to the k-th neighbour as the inverse density.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.voxels import Voxels, voxels
from pipeline.part import BoolArray, FloatArray

NEIGHBOURS = 12
REACH = 6
"""The neighbour whose distance stands for the inverse density."""
CELL_IN_SPACINGS = 2.5
THIN = 12
"""A surface at the typical spacing puts (3 x 2.5)^2 = 56 points into the 27 cells around one."""
WELL_FILLED = 40
ASKEW = 0.3
"""Cosine between a point's normal and that around it below which the point needs a look."""
LEAST_CARRIED = 3
"""A point of a surface is carried by at least as many of its 12 neighbours, even at an edge or a tip; one amid a
well filled surface only has to be carried at all."""


class Cause(IntEnum):
    """Why a point was removed; the number is what ``removed.ply`` carries."""

    KEPT = 0
    STRAY = 1
    FLYING = 2
    FLOATING_GROUP = 3


def outliers(
    points: FloatArray,
    normals: NDArray[np.floating[Any]] | None,
    spacing: float,
    noise: float,
    *,
    density_ratio: float,
    smallest_group: int,
) -> NDArray[np.uint8]:
    """The cause for which each point is an outlier, 0 where it is none.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) unit vectors, or None
    spacing, noise : of the cloud, millimetres
    density_ratio : how many times further than its neighbours' own a point's neighbours may lie
    smallest_group : a connected group of fewer points is no surface
    """
    cause = np.zeros(len(points), np.uint8)
    cells = voxels(points, max(CELL_IN_SPACINGS * spacing, 2.0 * noise))
    thin = _thin(cells)[cells.of_point]
    suspects = np.flatnonzero(thin if normals is None else thin | _askew(cells, normals))
    if len(suspects) and len(points) > NEIGHBOURS:
        stray, flying = _judged(points, normals, suspects, thin[suspects], noise, density_ratio)
        cause[suspects[flying]] = Cause.FLYING
        cause[suspects[stray]] = Cause.STRAY
    kept = np.flatnonzero(cause == 0)
    if len(kept):
        cause[kept[_in_small_group(points[kept], spacing, noise, smallest_group)]] = Cause.FLOATING_GROUP
    return cause


def _thin(cells: Voxels) -> BoolArray:
    """(m,) cells with few points around them, or clearly fewer than a cell beside them has."""
    around = cells.around @ cells.count
    first, second = cells.pairs
    most = around.copy()
    np.maximum.at(most, first, around[second])
    np.maximum.at(most, second, around[first])
    thin: BoolArray = (around < THIN) | ((around < WELL_FILLED) & (around < 0.65 * most))
    return thin


def _askew(cells: Voxels, normals: NDArray[np.floating[Any]]) -> BoolArray:
    """(n,) points whose normal stands across that of the cells around them."""
    mean = cells.around @ np.stack([cells.total(normals[:, axis]) for axis in range(3)], axis=1)
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), np.finfo(float).tiny)
    askew: BoolArray = np.einsum("ij,ij->i", normals, mean[cells.of_point]) < ASKEW
    return askew


def _judged(
    points: FloatArray,
    normals: NDArray[np.floating[Any]] | None,
    suspects: NDArray[np.intp],
    thin: BoolArray,
    noise: float,
    density_ratio: float,
) -> tuple[BoolArray, BoolArray]:
    """Which suspects are strays (far from a denser surface) and which fly (on no surface that passes there)."""
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    distance, index = (np.asarray(found) for found in tree.query(points[suspects], k=NEIGHBOURS + 1, workers=-1))
    distance, index = distance[:, 1:], index[:, 1:]
    reach = np.full(len(points), np.nan)
    reach[suspects] = distance[:, REACH - 1]
    others = np.unique(index[:, :8])
    others = others[np.isnan(reach[others])]
    reach[others] = np.asarray(tree.query(points[others], k=[REACH + 1], workers=-1)[0])[:, 0]
    local = np.maximum(np.median(reach[index[:, :8]], axis=1), np.finfo(float).tiny)
    ratio = distance[:, REACH - 1] / local
    stray = (ratio > density_ratio) & (distance[:, REACH - 1] > 4.0 * noise)
    way = points[index] - points[suspects][:, None, :]
    slack = np.maximum(2.5 * noise, 0.2 * distance[:, -1])[:, None]
    if normals is not None:
        own, theirs = normals[suspects][:, None, :], normals[index]
        on_own = np.abs((way * own).sum(axis=2)) < slack
        on_theirs = np.abs((way * theirs).sum(axis=2)) < slack
        alike = (own * theirs).sum(axis=2) > 0.5
        carried = (on_own & on_theirs & alike).sum(axis=1)
        flying = (carried < np.where(thin, LEAST_CARRIED, 1)) & (distance[:, 0] > noise)
    else:
        middle = points[index].mean(axis=1)
        patch = points[index] - middle[:, None, :]
        normal = np.linalg.eigh(np.einsum("nki,nkj->nij", patch, patch))[1][:, :, 0]
        off = np.abs(((points[suspects] - middle) * normal).sum(axis=1))
        flying = (ratio > 1.4) & (off > 3.0 * noise + 0.4 * local)
    return stray, flying & ~stray


def _in_small_group(points: FloatArray, spacing: float, noise: float, smallest: int) -> BoolArray:
    """(n,) points of connected groups of fewer than ``smallest``; the largest group is never small."""
    cells = voxels(points, max(4.0 * spacing, 2.0 * noise))
    number, label = cells.components()
    size = np.bincount(label, weights=cells.count, minlength=number)
    size[np.argmax(size)] = np.inf
    small: BoolArray = (size < smallest)[label][cells.of_point]
    return small
