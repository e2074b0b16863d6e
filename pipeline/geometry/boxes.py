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


def meeting_box(vertices: FloatArray, faces: IndexArray, low: FloatArray, high: FloatArray) -> LongArray:
    """(k,) faces (m, 3) whose box meets that between two corners (3,): quicker than ``Boxes`` where one is asked for.

    They are those whose corners do not all lie beyond the same side of it.
    """
    beyond = np.zeros(len(vertices), np.uint8)
    for axis in range(3):
        beyond |= (vertices[:, axis] < low[axis]).astype(np.uint8) << np.uint8(2 * axis)
        beyond |= (vertices[:, axis] > high[axis]).astype(np.uint8) << np.uint8(2 * axis + 1)
    a, b, c = (np.take(beyond, faces[:, corner]) for corner in range(3))
    found: LongArray = np.flatnonzero((a & b & c) == 0)
    return found
