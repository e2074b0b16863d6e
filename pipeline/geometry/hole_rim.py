"""What a patch hangs on: the rim of one hole and the faces around it, found once whatever patches are tried on it."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.cloud import unit
from pipeline.geometry.edges import Edges, edges_of
from pipeline.geometry.hole_triangulation import triangulate_hole
from pipeline.geometry.holes import Hole
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import face_vectors
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh


class Rim:
    """The rim of a hole and what is known about it.

    Attributes
    ----------
    hole : the hole
    vertices : (n,) the mesh's vertices on the rim, each once
    places : (n, 3) where they lie, mm
    outer : (k,) the mesh's vertices one row farther out
    ring : (m, 3) the faces that touch the rim; numbers below n mean ``vertices``, n + i means ``outer[i]``
    size : (n,) length of the edges around each vertex, mm
    taken : (n, n) whether the mesh has an edge between two of them
    """

    def __init__(self, mesh: Mesh, hole: Hole, around: Incidence) -> None:
        self.hole = hole
        self.vertices, corner = np.unique(hole.loop, return_inverse=True)
        self.places = mesh.vertices[self.vertices]
        ring = mesh.faces[around.faces_at(self.vertices)]
        self.outer = np.setdiff1d(ring, self.vertices)
        known = np.concatenate([self.vertices, self.outer])
        order = np.argsort(known)
        self.ring: IndexArray = order[np.searchsorted(known, ring, sorter=order)].astype(np.int32)
        edges = edges_of(self.ring)
        self.size, self.taken = self._edges_at_it(mesh.vertices[known], edges)
        self._corner: IndexArray = corner.astype(np.int32)
        self._beside = self._normals_beside(mesh.vertices[known], edges)
        self._triangles: dict[bool, IndexArray | None] = {}

    def triangles(self, *, by_area: bool) -> IndexArray | None:
        """(m, 3) triangles between the rim's vertices that close the hole; None when each way doubles an edge."""
        if by_area not in self._triangles:
            self._triangles[by_area] = self._triangulated(by_area)
        return self._triangles[by_area]

    def _triangulated(self, by_area: bool) -> IndexArray | None:
        """Over the loop, in which some vertices may occur twice."""
        corner, after = self._corner, np.roll(self._corner, -1)
        blocked = self.taken.copy()
        blocked[corner, after] = blocked[after, corner] = False
        np.fill_diagonal(blocked, True)
        faces = triangulate_hole(self.places[corner], self._beside, blocked[np.ix_(corner, corner)], by_area=by_area)
        if faces is None:
            return None
        named: IndexArray = corner[faces]
        return named if (named != named[:, (1, 2, 0)]).all() else None

    def _edges_at_it(self, places: FloatArray, edges: Edges) -> tuple[FloatArray, BoolArray]:
        """Length of the edges at each of the rim's vertices, and between which two of these there is one."""
        count, ends = len(self.vertices), edges.ends
        length = np.linalg.norm(places[ends[:, 0]] - places[ends[:, 1]], axis=1)
        total = np.bincount(ends.ravel(), np.repeat(length, 2), len(places))
        number = np.bincount(ends.ravel(), minlength=len(places))
        taken = np.zeros((count, count), bool)
        both = ends[(ends < count).all(axis=1)]
        taken[both[:, 0], both[:, 1]] = taken[both[:, 1], both[:, 0]] = True
        return (total / np.maximum(number, 1))[:count], taken

    def _normals_beside(self, places: FloatArray, edges: Edges) -> FloatArray:
        """Unit normal of the face beyond each side of the loop, zero where there is none.

        A side is named as a patch runs along it: from the end to the beginning of the open half-edge.
        """
        across = unit(face_vectors(places, self.ring))
        halves = edges.boundary_halves
        tail, head = self.ring.reshape(-1)[halves].tolist(), self.ring[:, (1, 2, 0)].reshape(-1)[halves].tolist()
        normals = {(b, a): across[half // 3] for a, b, half in zip(tail, head, halves, strict=True)}
        sides = zip(self._corner.tolist(), np.roll(self._corner, -1).tolist(), strict=True)
        return np.array([normals.get(side, np.zeros(3)) for side in sides])
