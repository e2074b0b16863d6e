"""A mesh made manifold by leaving out what is not, and freed of crumbs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.edges import corner_fans, edges_of, face_components
from pipeline.geometry.topology import degenerate_faces, duplicate_faces
from pipeline.part import FloatArray, IndexArray


@dataclass(frozen=True, eq=False, slots=True)
class Tidy:
    """Faces of a manifold mesh.

    Attributes
    ----------
    faces : (m, 3) into the new vertices
    source : (n,) the old vertex that each new one is (a copy of)
    kept : (m,) the old face that each new one is
    pieces_removed_count : pieces left out as too small
    """

    faces: IndexArray
    source: IndexArray
    kept: IndexArray
    pieces_removed_count: int


def tidied(vertices: FloatArray, faces: IndexArray, smallest_piece_count: int) -> Tidy:
    """Drop degenerate and duplicate faces, faces at edges of more than two, and pieces of few faces.

    Vertices at which several fans of faces meet are doubled, so that each has one.
    """
    kept = np.flatnonzero(~(degenerate_faces(vertices, faces)[0] | duplicate_faces(faces)))
    while len(kept):
        edges = edges_of(faces[kept])
        crowded = edges.faces_count[edges.of_half] > 2
        if not crowded.any():
            break
        kept = kept[~crowded.reshape(-1, 3).any(axis=1)]
    removed = 0
    if len(kept):
        label = face_components(faces[kept], edges_of(faces[kept]))
        size = np.bincount(label)
        small = size < smallest_piece_count
        removed = int(small.sum())
        kept = kept[~small[label]]
    if len(kept) == 0:
        return Tidy(np.zeros((0, 3), np.int32), np.zeros(0, np.int32), kept.astype(np.int32), removed)
    corners = corner_fans(faces[kept], edges_of(faces[kept]))
    source = np.zeros(int(corners.max()) + 1, np.int32)
    source[corners] = faces[kept].reshape(-1)
    order = np.argsort(source, kind="stable")
    rank = np.empty(len(order), np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    return Tidy(rank[corners].reshape(-1, 3), source[order], kept.astype(np.int32), removed)
