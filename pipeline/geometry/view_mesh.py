"""A light copy of a mesh for turning it on a screen."""

from __future__ import annotations

import numpy as np

from pipeline.part import FloatArray, IndexArray

MOST_FACES = 60_000


def view_mesh(vertices: FloatArray, faces: IndexArray, most_faces: int = MOST_FACES) -> tuple[FloatArray, IndexArray]:
    """The surface in at most ``most_faces`` triangles, unused vertices left out; for the eye only.

    Quadric edge collapse (Garland & Heckbert 1997).

    Parameters
    ----------
    vertices : (n, 3), millimetres
    faces : (m, 3)
    """
    if len(faces) > most_faces:
        import fast_simplification

        vertices, faces = fast_simplification.simplify(
            np.array(vertices, np.float64), np.array(faces, np.int32), target_count=most_faces
        )
    faces = faces if len(faces) <= most_faces else clustered(vertices, faces, most_faces)
    used, corners = np.unique(faces, return_inverse=True)
    return vertices[used], corners.reshape(-1, 3).astype(np.int32)


def clustered(vertices: FloatArray, faces: IndexArray, most_faces: int) -> IndexArray:
    """The faces between representatives of cells of vertices (Rossignac & Borrel 1993), for what cannot be collapsed.

    The cells grow until few enough faces are left.
    """
    low, cell = vertices.min(axis=0), float(np.ptp(vertices, axis=0).max()) / 400
    while True:
        index = np.floor((vertices - low) / cell).astype(np.int64)
        key = (index[:, 0] << 42) | (index[:, 1] << 21) | index[:, 2]
        _, first, group = np.unique(key, return_index=True, return_inverse=True)
        corners = first[group][faces]
        kept: IndexArray = corners[(corners != np.roll(corners, 1, axis=1)).all(axis=1)].astype(np.int32)
        if len(kept) <= most_faces:
            return kept
        cell *= 1.25
