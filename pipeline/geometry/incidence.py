"""Which faces of a mesh touch which vertex: for looking about a few places without a walk over all faces."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.kinds import ascending
from pipeline.part import IndexArray, LongArray


class Incidence:
    """The faces at each vertex.

    Parameters
    ----------
    faces : (m, 3)
    vertices_count : of the mesh, used by a face or not
    """

    def __init__(self, faces: IndexArray, vertices_count: int) -> None:
        corners = faces.reshape(-1)
        self._face = ascending(corners)[0] // 3
        self._start = np.concatenate([[0], np.cumsum(np.bincount(corners, minlength=vertices_count))])

    def faces_at(self, vertices: IndexArray | LongArray) -> LongArray:
        """Faces that touch any of the vertices (k,), each once, in rising order."""
        start = self._start[vertices]
        count = self._start[np.asarray(vertices) + 1] - start
        before = np.cumsum(count) - count
        faces: LongArray = np.unique(self._face[np.arange(count.sum()) + np.repeat(start - before, count)])
        return faces
