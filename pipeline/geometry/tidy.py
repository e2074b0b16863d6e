"""A mesh made manifold by leaving out what is not, and freed of crumbs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.edges import Edges, corner_fans, edges_of, face_components
from pipeline.geometry.kinds import ascending
from pipeline.geometry.topology import degenerate_faces, duplicate_faces
from pipeline.part import FloatArray, IndexArray


@dataclass(frozen=True, eq=False, slots=True)
class Tidy:
    """Faces of a manifold mesh.

    Attributes
    ----------
    faces : (m, 3) into the new vertices
    source : (n,) the old vertex that each new one is (a copy of)
    pieces_removed_count : pieces left out as too small
    loops_count : borders that the mesh has
    """

    faces: IndexArray
    source: IndexArray
    pieces_removed_count: int
    loops_count: int


def tidied(vertices: FloatArray, faces: IndexArray, smallest_piece_count: int) -> Tidy:
    """Drop degenerate and duplicate faces, faces at edges of more than two, and pieces of few faces.

    Vertices at which several fans of faces meet are doubled, so that each has one.
    """
    faces, edges = _manifold_edges(faces[~(degenerate_faces(vertices, faces)[0] | duplicate_faces(faces))])
    label = face_components(faces, edges)
    small = np.bincount(label) < smallest_piece_count
    if small.any():
        faces = faces[~small[label]]
        edges = edges_of(faces)
    if len(faces) == 0:
        return Tidy(np.zeros((0, 3), np.int32), np.zeros(0, np.int32), int(small.sum()), 0)
    fans = corner_fans(faces, edges)
    source = np.zeros(int(fans.max()) + 1, np.int32)
    source[fans] = faces.reshape(-1)
    order = ascending(source)[0]
    rank = np.empty(len(order), np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    loops = boundary_loops(faces, edges, fans)
    return Tidy(rank[fans].reshape(-1, 3), source[order], int(small.sum()), len(loops))


def _manifold_edges(faces: IndexArray) -> tuple[IndexArray, Edges]:
    """The faces that touch no edge of more than two faces, and their edges."""
    while True:
        edges = edges_of(faces)
        crowded = edges.faces_count > 2
        if not crowded.any():
            return faces, edges
        faces = faces[~crowded[edges.of_half].reshape(-1, 3).any(axis=1)]
