"""A side on a grid: nearest compatible sample and empty space by look-up, so that thousands of poses can be tried."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from pipeline.geometry.alignment.side import Side
from pipeline.geometry.alignment.visibility import Pictures
from pipeline.part import BoolArray, FloatArray

CELLS_ACROSS = 48
COMPATIBLE = 0.4
"""Cosine with an axis direction from which a normal belongs to that direction's grid."""
WAYS = np.array([[1.0, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]])


@dataclass(frozen=True, eq=False)
class Field:
    """Look-up grids around one side.

    Attributes
    ----------
    nearest : (6, nx, ny, nz) int32 sample nearest to the voxel among those that face each of ``WAYS``; -1 for none
    empty : (nx, ny, nz) True where the side looked through
    corner : (3,) millimetres
    voxel : edge of a voxel, millimetres
    """

    side: Side
    nearest: NDArray[np.int32]
    empty: BoolArray
    corner: FloatArray
    voxel: float

    @cached_property
    def places(self) -> FloatArray:
        """(3, n) places of the samples."""
        return np.ascontiguousarray(self.side.points.T)

    @cached_property
    def facing(self) -> FloatArray:
        """(3, n) normals of the samples."""
        return np.ascontiguousarray(self.side.normals.T)

    def look(self, points: FloatArray, normals: FloatArray) -> tuple[NDArray[np.int32], BoolArray]:
        """(...) nearest sample facing about the same way, -1 for none, and (...) whether the place is empty space.

        Places and normals are given axis by axis, (3, ...): numpy is slow along a last axis of three.
        """
        inside, flat = np.array(True), np.array(0, np.int32)
        for along, start, count in zip(points, self.corner, self.empty.shape, strict=True):
            spot = np.floor((along - start) / self.voxel).astype(np.int32)
            inside = inside & (spot >= 0) & (spot < count)
            flat = flat * np.int32(count) + np.clip(spot, 0, count - 1)
        x, y, z = np.abs(normals)
        way = np.where(
            (x >= y) & (x >= z),
            normals[0] < 0,
            np.where(y >= z, 2 + (normals[1] < 0), 4 + (normals[2] < 0)),
        )
        found = np.take(self.nearest, way * np.int32(self.empty.size) + flat)
        return np.where(inside, found, -1), inside & np.take(self.empty, flat)

    def sample(self, index: NDArray[np.int32]) -> tuple[FloatArray, FloatArray]:
        """Places and normals of samples (...), axis by axis: (3, ...) and (3, ...); of -1 they say nothing."""
        return np.take(self.places, index, axis=1), np.take(self.facing, index, axis=1)


def field(side: Side, pictures: Pictures) -> Field:
    """Fill the grids of a side: Euclidean distance transforms (Maurer et al. 2003), one for each way of facing."""
    low, high = side.points.min(axis=0), side.points.max(axis=0)
    voxel = float((high - low).max()) / CELLS_ACROSS
    corner = low - 4 * voxel
    shape = tuple(np.ceil((high - corner) / voxel + 4).astype(int))
    spot = np.floor((side.points - corner) / voxel).astype(int)
    nearest = np.full((6, *shape), -1, np.int32)
    for k, way in enumerate(WAYS):
        own = np.flatnonzero(side.normals @ way > COMPATIBLE)
        if not len(own):
            continue
        holder = np.full(shape, -1, np.int32)
        holder[tuple(spot[own].T)] = own
        where = distance_transform_edt(holder < 0, return_distances=False, return_indices=True)
        nearest[k] = holder[tuple(where)]
    return Field(side, nearest, _empty(side, pictures, corner, voxel, shape), corner, voxel)


def _empty(side: Side, pictures: Pictures, corner: FloatArray, voxel: float, shape: tuple[int, ...]) -> BoolArray:
    """Voxels in front of the surface behind them in most believed directions, whichever way a surface there faced.

    Asked for blocks of 2 x 2 x 2 voxels: only guesses are judged by it.
    """
    half = tuple((n + 1) // 2 for n in shape)
    centres = corner + (np.indices(half).reshape(3, -1).T + 0.5) * (2 * voxel)
    front, _, shown = pictures.asked(centres, 1.4 * voxel)
    empty = np.asarray((front > 0.7 * shown) & (shown > 0.25 * len(pictures.views)), np.bool_)
    empty[empty] = ~side.rim[side.tree.query(centres[empty], workers=-1)[1]]  # past an open end nothing is known
    empty = empty.reshape(half)
    for axis, count in enumerate(shape):
        empty = np.take(np.repeat(empty, 2, axis=axis), range(count), axis=axis)
    return np.ascontiguousarray(empty)
