"""A cloud sorted into cubic cells: the cheap stand-in for neighbour searches over millions of points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from pipeline.geometry.kinds import kinds
from pipeline.part import BoolArray, FloatArray, IndexArray

# 2**19 cells each way from the middle: a stray beyond is put into the outermost cell; the key fits 63 bits.
MOST_CELLS = 1 << 19
# One of each pair of opposite neighbours among the 26.
HALF_OF_26 = [offset for offset in product((-1, 0, 1), repeat=3) if offset > (0, 0, 0)]


@dataclass(frozen=True, eq=False)
class Voxels:
    """The occupied cells of a cloud.

    Attributes
    ----------
    cell : edge length of a cell, millimetres
    keys : (m,) int64, ascending, one for each occupied cell
    strides : what one step along x, y, z adds to a key
    of_point : (n,) int32, the cell of each point
    count : (m,) float64, points in each cell
    centre : (m, 3), mean of the points in each cell, millimetres
    """

    cell: float
    keys: NDArray[np.int64]
    strides: tuple[int, int, int]
    of_point: IndexArray
    count: FloatArray
    centre: FloatArray

    def __len__(self) -> int:
        return len(self.keys)

    def total(self, values: NDArray[np.floating] | BoolArray) -> FloatArray:
        """(m,) sum over the points of each cell."""
        return np.bincount(self.of_point, weights=values, minlength=len(self)).astype(np.float64, copy=False)

    def mostly(self, flags: BoolArray) -> BoolArray:
        """(m,) cells of which most points are flagged."""
        most: BoolArray = self.total(flags) > 0.5 * self.count
        return most

    @cached_property
    def pairs(self) -> tuple[IndexArray, IndexArray]:
        """Each pair of occupied cells that share a face, an edge or a corner, once."""
        first, second = [], []
        for offset in HALF_OF_26:
            wanted = self.keys + int(np.dot(offset, self.strides))
            at = np.minimum(np.searchsorted(self.keys, wanted), len(self) - 1)
            found = np.flatnonzero(self.keys[at] == wanted)
            first.append(found)
            second.append(at[found])
        return np.concatenate(first).astype(np.int32), np.concatenate(second).astype(np.int32)

    @cached_property
    def around(self) -> csr_array:
        """(m, m) matrix with ones where a cell and another (or itself) touch: sums over the 27 cells around."""
        first, second = self.pairs
        own = np.arange(len(self))
        rows, columns = np.concatenate([first, second, own]), np.concatenate([second, first, own])
        return coo_array((np.ones(len(rows)), (rows, columns)), shape=(len(self), len(self))).tocsr()

    def components(self, keep: BoolArray | None = None, cut: BoolArray | None = None) -> tuple[int, IndexArray]:
        """Connected groups of touching cells.

        Parameters
        ----------
        keep : (m,) cells that take part; the others get the label -1
        cut : one flag for each of ``pairs``; True where the two do not hold together

        Returns
        -------
        The number of groups and (m,) the label of each cell.
        """
        first, second = self.pairs
        holds = np.ones(len(first), bool) if cut is None else ~cut
        if keep is not None:
            holds &= keep[first] & keep[second]
        return grouped(len(self), first[holds], second[holds], keep)


def voxels(points: FloatArray, cell: float) -> Voxels:
    """Sort points (n, 3) into cells of edge ``cell`` (both millimetres); n >= 1, cell > 0."""
    middle = np.median(points[:: max(1, len(points) // 10_000)], axis=0)
    index = np.floor((points - middle) / cell)
    np.clip(index, -MOST_CELLS, MOST_CELLS, out=index)
    index -= index.min(axis=0) - 1
    size = index.max(axis=0).astype(np.int64) + 2
    strides = (int(size[1] * size[2]), int(size[2]), 1)
    key = index @ np.array(strides, float) if size.prod() < 2**52 else None
    key = key.astype(np.int64) if key is not None else index.astype(np.int64) @ np.array(strides)
    found = kinds(key)
    keys, of_point, count = found.keys, found.of_each, found.count.astype(float)
    centre = np.stack([np.bincount(of_point, weights=points[:, axis]) / count for axis in range(3)], axis=1)
    return Voxels(cell, keys, strides, of_point.astype(np.int32), count, centre)


def grouped(size: int, first: IndexArray, second: IndexArray, keep: BoolArray | None = None) -> tuple[int, IndexArray]:
    """Connected groups of ``size`` things from the pairs that hold together; things not kept get -1."""
    links = coo_array((np.ones(len(first), np.int8), (first, second)), shape=(size, size))
    number, label = connected_components(links, directed=False)
    if keep is None:
        return number, label
    used, dense = np.unique(label[keep], return_inverse=True)
    out = np.full(size, -1, np.int32)
    out[keep] = dense
    return len(used), out


def root_of(parent: list[int], one: int) -> int:
    """The root of the tree that one thing stands in; the way there is halved for the next who asks."""
    while parent[one] != one:
        parent[one] = parent[parent[one]]
        one = parent[one]
    return one


@dataclass(frozen=True, eq=False)
class Patches:
    """The plane through the points around each cell.

    Attributes
    ----------
    normal : (m, 3) unit vectors, sign arbitrary
    thickness : (m,) standard deviation of the points along the normal, millimetres
    width : (m,) standard deviation across, the smaller of two, millimetres
    """

    normal: FloatArray
    thickness: FloatArray
    width: FloatArray


def patches(cells: Voxels, points: FloatArray) -> Patches:
    """Principal axes of the points in the 27 cells around each cell."""
    origin = cells.centre.mean(axis=0)
    local = points - origin
    upper = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]
    moments = np.empty((len(cells), 10))
    moments[:, 0] = cells.count
    moments[:, 1:4] = (cells.centre - origin) * cells.count[:, None]
    for column, (i, j) in enumerate(upper):
        moments[:, 4 + column] = cells.total(local[:, i] * local[:, j])
    moments = cells.around @ moments
    mean = moments[:, 1:4] / moments[:, :1]
    spread = np.empty((len(cells), 3, 3))
    for column, (i, j) in enumerate(upper):
        spread[:, i, j] = spread[:, j, i] = moments[:, 4 + column] / moments[:, 0] - mean[:, i] * mean[:, j]
    values, frames = np.linalg.eigh(spread)
    deviations = np.sqrt(np.maximum(values, 0.0))
    return Patches(frames[:, :, 0], deviations[:, 0], deviations[:, 1])
