"""How far a mesh and its contraction lie from one another, looked for from both sides."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.contraction import Contraction
from pipeline.geometry.deviation import Surface, sample_surface
from pipeline.geometry.edges import touching
from pipeline.geometry.lattice import lattice
from pipeline.geometry.measure import edge_lengths, face_vectors
from pipeline.geometry.vectors import inner, length
from pipeline.part import BoolArray, FloatArray, IndexArray, LongArray, Mesh

STEP = 0.75
"""Times the edge of the mesh before: the steps in which all of the contraction is looked at. At that length the surface
bends."""
CLOSELY = ((0.6, 0.2), (0.8, 0.07))
"""Faces on which something lies farther off than the first share of the tolerance are looked at in steps of the second
times that edge: between two places the distance may be larger than at both."""
LARGE, ALIKE = 2.0, 0.9
"""Faces of the mesh before that are larger than so many times the square of its mean edge, or that face otherwise than
the contraction does there by more than this cosine, are looked at all over; of others their corners tell."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """(k, 3) places on one of the surfaces, (k,) mm to the other, and (k,) the face of the contraction there."""

    places: FloatArray
    distances: FloatArray
    at: IndexArray

    def where(self, chosen: BoolArray) -> Found:
        return Found(self.places[chosen], self.distances[chosen], self.at[chosen])


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What was found: from all vertices before, from more places on the mesh before, and from the contraction."""

    vertices: Found
    more: Found
    after: Found

    @property
    def worst_mm(self) -> float:
        """The largest distance."""
        return max(float(found.distances.max(initial=0)) for found in (self.vertices, self.more, self.after))

    @property
    def mean_mm(self) -> float:
        """Of the vertices before: the other places crowd where the distance is large."""
        return float(self.vertices.distances.mean())


class TwoWay:
    """A mesh of which every vertex is used, to look from and at."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self.surface = Surface(mesh.vertices, mesh.faces)
        self.edge = float(edge_lengths(mesh.vertices, mesh.faces).mean())

    def quick(self, candidate: Contraction, count: int) -> FloatArray:
        """(k,) distances of about ``count`` places on either surface from the other, mm."""
        places, _ = sample_surface(candidate.places, candidate.faces, count)
        old = self.mesh.vertices[:: max(1, len(self.mesh.vertices) // count)]
        from_old = Surface(candidate.places, candidate.faces).distance(old)
        return np.concatenate([from_old, self.surface.distance(places)])

    def look(self, candidate: Contraction, tolerance_mm: float) -> Look:
        """From all vertices before and from all over the contraction, closely where much of the tolerance is used."""
        surface = Surface(candidate.places, candidate.faces)
        vertices = _to(surface, self.mesh.vertices)
        every = np.ones(len(self.mesh.vertices), bool)
        more = self._before(surface, vertices, every, tolerance_mm)
        return Look(vertices, more, self._after(candidate, np.ones(len(candidate.faces), bool), tolerance_mm))

    def again(self, look: Look, row: IndexArray, after: Contraction, tolerance_mm: float) -> Look:
        """As ``look`` at ``after``, given what was found at one before: only what changed is looked at.

        ``row`` : (k,) the number that each face of the one before has now, -1 where it is gone.
        """
        surface = Surface(after.places, after.faces)
        vertices, lost = _followed(look.vertices, row, surface)
        more, _ = _followed(look.more, row, surface)
        closely = self._before(surface, vertices, lost, tolerance_mm)
        fresh = np.ones(len(after.faces), bool)
        fresh[row[row >= 0]] = False
        at = row[look.after.at]
        stands = Found(look.after.places, look.after.distances, at).where(at >= 0)
        return Look(vertices, _both(more, closely), _both(stands, self._after(after, fresh, tolerance_mm)))

    def beyond(self, look: Look, candidate: Contraction, distance_mm: float) -> LongArray:
        """(k,) vertices of the contraction at places that lie farther off, by the numbers of the mesh before."""
        far = [found.where(found.distances > distance_mm) for found in (look.vertices, look.more, look.after)]
        here = candidate.faces[np.concatenate([found.at for found in far])]
        face, _ = self.surface.nearest(np.concatenate([found.places for found in far]))
        return np.unique(np.concatenate([here, candidate.into[self.mesh.faces[face]]]))

    def _before(self, surface: Surface, vertices: Found, chosen: BoolArray, tolerance_mm: float) -> Found:
        """From faces before at chosen vertices (n,), given what was found at all of them: closely where that is far."""
        faces = self.mesh.faces[touching(self.mesh.faces, chosen)]
        worst = vertices.distances[faces].max(axis=1)
        across = face_vectors(self.mesh.vertices, faces)
        there = face_vectors(surface.vertices, surface.faces)[vertices.at[faces[:, 0]]]
        unlike = inner(across, there) < ALIKE * length(across) * length(there)
        unsure = np.flatnonzero(unlike | (length(across) > 2 * LARGE * self.edge**2)).astype(np.int32)
        places, of = lattice(self.mesh.vertices, faces[unsure], STEP * self.edge)
        inside = _to(surface, places)
        np.maximum.at(worst, unsure[of], inside.distances)
        closely = self._closely(self.mesh.vertices, faces, worst, tolerance_mm, lambda places, _: _to(surface, places))
        return _both(inside, closely)

    def _after(self, candidate: Contraction, chosen: BoolArray, tolerance_mm: float) -> Found:
        """From chosen faces (m,) of the contraction, closely where they lie far off."""
        rows = np.flatnonzero(chosen).astype(np.int32)
        faces = candidate.faces[rows]

        def find(places: FloatArray, of: IndexArray) -> Found:
            return Found(places, self.surface.distance(places), of)

        one_face = np.full(len(candidate.into), -1, np.int32)
        one_face[faces] = np.arange(len(rows))[:, None]
        corners = np.flatnonzero(one_face >= 0)
        at_corners = find(candidate.places[corners], one_face[corners])
        all_over = find(*lattice(candidate.places, faces, STEP * self.edge))
        off = np.zeros(len(candidate.into))
        off[corners] = at_corners.distances
        worst = off[faces].max(axis=1)
        np.maximum.at(worst, all_over.at, all_over.distances)
        closely = self._closely(candidate.places, faces, worst, tolerance_mm, find)
        found = _both(_both(at_corners, all_over), closely)
        return Found(found.places, found.distances, rows[found.at])

    def _closely(
        self,
        vertices: FloatArray,
        faces: IndexArray,
        worst: FloatArray,
        tolerance_mm: float,
        find: Callable[[FloatArray, IndexArray], Found],
    ) -> Found:
        """From faces of one surface that lie so far off at worst (m,), in the finer steps the farther that is."""
        all_found = Found(np.zeros((0, 3)), np.zeros(0), np.zeros(0, np.int32))
        for share, step in CLOSELY:
            far = np.flatnonzero(worst > share * tolerance_mm).astype(np.int32)
            places, of = lattice(vertices, faces[far], step * self.edge)
            found = find(places, far[of])
            np.maximum.at(worst, far[of], found.distances)
            all_found = _both(all_found, found)
        return all_found


def _to(surface: Surface, places: FloatArray) -> Found:
    near, weights = surface.nearest(places)
    return Found(places, length(places - surface.places(near, weights)), near)


def _followed(found: Found, row: IndexArray, surface: Surface) -> tuple[Found, BoolArray]:
    """The same places with the new numbers (m,) of the faces, and found anew where these are gone; which those are."""
    at, distances = row[found.at], found.distances.copy()
    gone = at < 0
    anew = _to(surface, found.places[gone])
    at[gone], distances[gone] = anew.at, anew.distances
    return Found(found.places, distances, at), gone


def _both(one: Found, other: Found) -> Found:
    return Found(
        np.concatenate([one.places, other.places]),
        np.concatenate([one.distances, other.distances]),
        np.concatenate([one.at, other.at]),
    )
