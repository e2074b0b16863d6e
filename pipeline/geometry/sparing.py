"""Working on a mesh with some of its faces set aside, which go back into their place afterwards."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial import cKDTree

from pipeline.part import BoolArray, FloatArray, IndexArray

Work = Callable[[FloatArray, IndexArray], tuple[FloatArray, IndexArray]]


def sparing(
    vertices: FloatArray, faces: IndexArray, aside: BoolArray, work: Work
) -> tuple[FloatArray, IndexArray] | None:
    """The mesh after ``work`` on all faces but those set aside, sewn together again.

    Parameters
    ----------
    vertices, faces : (n, 3) and (m, 3)
    aside : (m,) faces that stay as they are
    work : changes vertices and faces; the borders that it is given must stay where they are

    Returns
    -------
    Vertices and faces, or None when the work did not leave the borders in their place.
    """
    if not aside.any():
        return work(vertices, faces)
    rest = faces[~aside]
    new_vertices, new_faces = work(vertices, rest)
    of_aside, of_rest = np.zeros((2, len(vertices)), bool)
    of_aside[faces[aside]], of_rest[rest] = True, True
    seam, inner = np.flatnonzero(of_aside & of_rest), np.flatnonzero(of_aside & ~of_rest)
    number = np.full(len(vertices), -1, np.int64)
    if len(seam):
        size = float(np.ptp(vertices, axis=0).max())
        distance, number[seam] = cKDTree(new_vertices).query(vertices[seam])
        if np.max(distance) > 1e-9 * size or len(np.unique(number[seam])) < len(seam):
            return None
    number[inner] = len(new_vertices) + np.arange(len(inner))
    back = number[faces[aside]].astype(np.int32)
    return np.concatenate([new_vertices, vertices[inner]]), np.concatenate([new_faces.astype(np.int32), back])
