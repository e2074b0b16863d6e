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

from pipeline.geometry.kinds import ascending
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
    # Neighbours in turn: the search then finds the tree in the processor's cache.
    suspects = suspects[ascending(cells.of_point[suspects])[0]]
    if len(suspects) and len(points) > NEIGHBOURS:
        stray, flying = _judged(cells, points, normals, suspects, thin[suspects], noise, density_ratio)
        cause[suspects[flying]] = Cause.FLYING
        cause[suspects[stray]] = Cause.STRAY
    small = _in_small_group(cells, cause == 0, max(4.0 * spacing, 2.0 * noise), smallest_group)
    cause[small & (cause == 0)] = Cause.FLOATING_GROUP
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
    cells: Voxels,
    points: FloatArray,
    normals: NDArray[np.floating[Any]] | None,
    suspects: NDArray[np.intp],
    thin: BoolArray,
    noise: float,
    density_ratio: float,
) -> tuple[BoolArray, BoolArray]:
    """Which suspects are strays (far from a denser surface) and which fly (on no surface that passes there)."""
    near = _around(cells, suspects)
    tree = cKDTree(points[near], balanced_tree=False, compact_nodes=False)
    distance, index = (np.asarray(found) for found in tree.query(points[suspects], k=NEIGHBOURS + 1))
    distance, index = distance[:, 1:], index[:, 1:]
    own = distance[:, REACH - 1]
    local = _usual_reach(cells, near[index[:, :8]])
    # Where the cells leave no doubt that the neighbours lie as far apart, theirs need not be searched.
    unsure = own > (0.5 * density_ratio if normals is not None else 0.9) * local
    local[unsure] = _their_reach(tree, index[unsure, :8])
    index = near[index]
    ratio = own / np.maximum(local, np.finfo(float).tiny)
    stray = (ratio > density_ratio) & (own > 4.0 * noise)
    way = points[index] - points[suspects][:, None, :]
    slack = np.maximum(2.5 * noise, 0.2 * distance[:, -1])[:, None]
    if normals is not None:
        mine, theirs = normals[suspects], normals[index]
        on_own = np.abs(np.einsum("nki,ni->nk", way, mine)) < slack
        on_theirs = np.abs(np.einsum("nki,nki->nk", way, theirs)) < slack
        alike = np.einsum("nki,ni->nk", theirs, mine) > 0.5
        carried = (on_own & on_theirs & alike).sum(axis=1)
        flying = (carried < np.where(thin, LEAST_CARRIED, 1)) & (distance[:, 0] > noise)
    else:
        middle = points[index].mean(axis=1)
        patch = points[index] - middle[:, None, :]
        normal = np.linalg.eigh(np.einsum("nki,nkj->nij", patch, patch))[1][:, :, 0]
        off = np.abs(((points[suspects] - middle) * normal).sum(axis=1))
        flying = (ratio > 1.4) & (off > 3.0 * noise + 0.4 * local)
    return stray, flying & ~stray


def _around(cells: Voxels, suspects: NDArray[np.intp]) -> NDArray[np.intp]:
    """Points among which the neighbours of the suspects are, two cells around; all of them where that is too few."""
    asked = np.zeros(len(cells))
    asked[cells.of_point[suspects]] = 1.0
    within = (cells.around @ (cells.around @ asked)) > 0.0
    near = np.flatnonzero(within[cells.of_point])
    return near if len(near) > 4 * NEIGHBOURS else np.arange(len(cells.of_point))


def _usual_reach(cells: Voxels, index: NDArray[np.intp]) -> FloatArray:
    """(n,) median over neighbours (n, k) of how far theirs lie, from how many points their cells hold."""
    around = cells.around @ cells.count
    reach = cells.cell * np.sqrt(9.0 * REACH / (np.pi * around))
    usual: FloatArray = np.median(reach[cells.of_point[index]], axis=1)
    return usual


def _their_reach(tree: cKDTree, index: NDArray[np.intp]) -> FloatArray:
    """(n,) median over neighbours (n, k) of the distance to their own."""
    others, at = np.unique(index, return_inverse=True)
    reach = np.asarray(tree.query(tree.data[others], k=[REACH + 1])[0])[:, 0]
    theirs: FloatArray = np.median(reach[at.reshape(index.shape)], axis=1)
    return theirs


def _in_small_group(cells: Voxels, kept: BoolArray, gap: float, smallest: int) -> BoolArray:
    """(n,) points of connected groups of fewer than ``smallest`` kept ones; the largest group is never small."""
    count = cells.total(kept)
    used = count > 0
    if not used.any():
        return kept
    coarse = voxels(cells.centre[used], gap)
    number, label = coarse.components()
    size = np.bincount(label[coarse.of_point], weights=count[used], minlength=number)
    size[np.argmax(size)] = np.inf
    small = np.zeros(len(cells), bool)
    small[used] = (size < smallest)[label[coarse.of_point]]
    return small[cells.of_point]
