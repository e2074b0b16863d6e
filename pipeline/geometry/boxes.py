"""Boxes about the faces of a mesh, to find what may be in the way of something."""

from __future__ import annotations

import numpy as np

from pipeline.part import FloatArray, IndexArray, LongArray


class Boxes:
    """The box of each face, along the axes.

    Parameters
    ----------
    vertices : (n, 3), millimetres
    faces : (m, 3)
    """

    def __init__(self, vertices: FloatArray, faces: IndexArray) -> None:
        a, b, c = (np.take(vertices, faces[:, corner], axis=0) for corner in range(3))
        # By axis, each in one piece: numpy is slow along an axis of three.
        self._low = np.ascontiguousarray(np.minimum(np.minimum(a, b), c).T)
        self._high = np.ascontiguousarray(np.maximum(np.maximum(a, b), c).T)

    def meeting(self, low: FloatArray, high: FloatArray) -> LongArray:
        """(k,) faces whose box meets the box between two corners (3,)."""
        found = np.flatnonzero((self._low[0] <= high[0]) & (self._high[0] >= low[0]))
        for axis in (1, 2):
            found = found[(self._low[axis][found] <= high[axis]) & (self._high[axis][found] >= low[axis])]
        return found
