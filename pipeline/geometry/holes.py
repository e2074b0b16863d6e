"""The open borders of a mesh: how wide, how flat, and what kind of opening each one is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.edges import LongArray, edges_of
from pipeline.geometry.measure import face_vectors
from pipeline.part import FloatArray, IndexArray, Mesh

STEEP = 0.5
"""Cosine between rim normals and the opening's axis below which the surface runs into the opening: 60 degrees."""
ALL_ROUND = 0.8
"""Share of the rim on which that must hold for a bore."""
CORNER = np.cos(np.radians(50))
"""Rim normals farther than this from their mean mean that the hole lies across an edge of the part."""
OUTER = 0.5
"""A loop wider than this share of the part is the outer border of a capture that does not go all round."""


class Opening(StrEnum):
    """What an open border is."""

    HOLE = "hole"
    CORNER = "corner hole"
    BORE = "bore or mouth"
    OUTER = "outer border"


@dataclass(frozen=True, slots=True, eq=False)
class Hole:
    """One open border.

    Attributes
    ----------
    loop : (n,) vertices, in the order in which a patch runs along them
    centre : (3,) mm
    axis : (3,) unit normal of the opening, pointing out of the surface
    diameter_mm : largest distance between two rim vertices
    flatness_mm : largest distance of a rim vertex from the opening's plane
    kind : what the rim looks like
    """

    loop: IndexArray
    centre: FloatArray
    axis: FloatArray
    diameter_mm: float
    flatness_mm: float
    kind: Opening


class Surroundings:
    """Which faces of a mesh touch which vertex, for looking around rims without a walk over all faces."""

    def __init__(self, faces: IndexArray, vertices_count: int) -> None:
        self._faces = faces
        corners = faces.reshape(-1)
        self._order = np.argsort(corners, kind="stable")
        self._start = np.concatenate([[0], np.cumsum(np.bincount(corners, minlength=vertices_count))])

    def faces_at(self, vertices: IndexArray) -> LongArray:
        """Faces that touch any of the vertices, in rising order."""
        runs = [self._order[self._start[v] : self._start[v + 1]] for v in vertices]
        faces: LongArray = np.unique(np.concatenate(runs) // 3)
        return faces


def find_holes(mesh: Mesh, around: Surroundings) -> list[Hole]:
    """Every open border, widest first."""
    size = float(np.ptp(mesh.vertices[mesh.faces].reshape(-1, 3), axis=0).max()) if len(mesh.faces) else 0.0
    loops = [loop[::-1] for loop in boundary_loops(mesh.faces)]
    holes = [_described(mesh, loop, around, size) for loop in loops]
    return sorted(holes, key=lambda hole: -hole.diameter_mm)


def _described(mesh: Mesh, loop: IndexArray, around: Surroundings, size: float) -> Hole:
    rim = mesh.vertices[loop]
    centre = rim.mean(axis=0)
    area_vector = np.cross(rim - centre, np.roll(rim, -1, axis=0) - centre).sum(axis=0)
    axis = area_vector / max(float(np.linalg.norm(area_vector)), np.finfo(float).tiny)
    diameter = _widest(rim)
    normals = rim_normals(mesh, loop, around)
    if diameter > OUTER * size:
        kind = Opening.OUTER
    elif _runs_inwards(rim - centre, normals, axis):
        kind = Opening.BORE
    elif _bent(normals):
        kind = Opening.CORNER
    else:
        kind = Opening.HOLE
    return Hole(loop, centre, axis, diameter, float(np.abs((rim - centre) @ axis).max()), kind)


def rim_normals(mesh: Mesh, loop: IndexArray, around: Surroundings) -> FloatArray:
    """(n, 3) unit normals at the rim's vertices, area-weighted over the faces within two rings."""
    near = around.faces_at(np.unique(mesh.faces[around.faces_at(loop)]))
    faces = mesh.faces[near]
    weighted = np.repeat(face_vectors(mesh.vertices, faces), 3, axis=0)
    used, local = np.unique(faces, return_inverse=True)
    total = np.zeros((len(used), 3))
    np.add.at(total, local.reshape(-1), weighted)
    spread = np.zeros_like(total)
    edges = edges_of(local.reshape(-1, 3).astype(np.int32)).ends
    np.add.at(spread, edges[:, 0], total[edges[:, 1]])
    np.add.at(spread, edges[:, 1], total[edges[:, 0]])
    at_rim = (total + spread)[np.searchsorted(used, loop)]
    normals: FloatArray = at_rim / np.maximum(np.linalg.norm(at_rim, axis=1, keepdims=True), np.finfo(float).tiny)
    return normals


def _runs_inwards(arms: FloatArray, normals: FloatArray, axis: FloatArray) -> bool:
    """Whether the surface runs into the opening all round and faces its axis: a bore, a mouth."""
    radial = arms - np.outer(arms @ axis, axis)
    facing = np.einsum("ni,ni->n", normals, radial) < 0
    return bool(np.mean((np.abs(normals @ axis) < STEEP) & facing) > ALL_ROUND)


def _bent(normals: FloatArray) -> bool:
    mean = normals.sum(axis=0)
    mean /= max(float(np.linalg.norm(mean)), np.finfo(float).tiny)
    return bool((normals @ mean).min() < CORNER)


def _widest(rim: FloatArray) -> float:
    """Largest distance between two points; exact up to 500 points, then from every k-th."""
    some = rim[np.unique(np.linspace(0, len(rim) - 1, 500).astype(int))]
    return float(np.linalg.norm(some[:, None] - some[None], axis=2).max())
