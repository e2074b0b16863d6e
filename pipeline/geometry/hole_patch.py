"""Making one patch: triangulated, refined, bent to carry on the surface around it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

import numpy as np

from pipeline.geometry.edges import edges_of
from pipeline.geometry.hole_fairing import faired, stretched
from pipeline.geometry.hole_refinement import flipped, refine
from pipeline.geometry.hole_triangulation import triangulate_hole
from pipeline.geometry.holes import Hole, Opening
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import face_vectors
from pipeline.part import BoolArray, ColourArray, FloatArray, IndexArray, Mesh

PASSES = 3
"""The bending weights depend on the patch's shape: this many times solved, weighted by the shape before."""


class Shape(Enum):
    """How a patch is shaped, best first."""

    SMOOTH = "carries on the surface around with its tangents"
    TIGHT = "as smooth, begun from the triangles of the smallest area"
    PLAIN = "a membrane over the rim, in triangles as small as those around"
    BARE = "triangles between the rim's vertices only, of the smallest area"
    FOLDED = "triangles between the rim's vertices only, that go on as the faces around do"


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A patch for one hole.

    Attributes
    ----------
    rim : (n,) the mesh's vertices that it hangs on
    inner : (k, 3) new vertices, mm
    faces : (m, 3) numbers below n mean ``rim``, n + i means ``inner[i]``
    colours : (k, 3) uint8, or None
    """

    rim: IndexArray
    inner: FloatArray
    faces: IndexArray
    colours: ColourArray | None


def make_patch(mesh: Mesh, hole: Hole, around: Incidence, shape: Shape = Shape.SMOOTH) -> Patch | None:
    """The patch for a hole, or None when its rim cannot be triangulated without a doubled edge."""
    rim, corner = np.unique(hole.loop, return_inverse=True)
    count = len(rim)
    ring = mesh.faces[around.faces_at(rim)]
    outer = np.setdiff1d(ring, rim)
    known = np.concatenate([rim, outer])
    order = np.argsort(known)
    ring = order[np.searchsorted(known, ring, sorter=order)].astype(np.int32)
    normals, taken, size = _rim_facts(mesh.vertices[known], ring, count)
    by_area = shape not in (Shape.SMOOTH, Shape.FOLDED)
    faces = _triangulated(mesh.vertices[rim], corner.astype(np.int32), normals, taken, by_area)
    if faces is None:
        return None
    vertices = mesh.vertices[rim]
    if shape not in (Shape.BARE, Shape.FOLDED):
        vertices, faces = refine(vertices, faces, size, taken)
        plain = shape is Shape.PLAIN or hole.kind is Opening.CORNER
        vertices, faces = _bent(vertices, faces, mesh.vertices[outer], ring, taken, plain)
    colours = None
    if mesh.colours is not None and len(vertices) > count:
        values = np.zeros((len(vertices), 3))
        values[:count] = mesh.colours[rim]
        spread = stretched(vertices, faces, np.arange(len(vertices)) >= count, values)[count:]
        colours = np.clip(np.round(spread), 0, 255).astype(np.uint8)
    return Patch(rim, vertices[count:], faces, colours)


def _triangulated(
    rim: FloatArray,
    corner: IndexArray,
    normals: Mapping[tuple[int, int], FloatArray],
    taken: BoolArray,
    by_area: bool,
) -> IndexArray | None:
    """Triangles over a loop of rim vertices, of which some may occur twice."""
    after = np.roll(corner, -1)
    sides = list(zip(corner.tolist(), after.tolist(), strict=True))
    beside = np.array([normals.get(side, np.zeros(3)) for side in sides])
    blocked = taken.copy()
    blocked[corner, after] = blocked[after, corner] = False
    np.fill_diagonal(blocked, True)
    faces = triangulate_hole(rim[corner], beside, blocked[np.ix_(corner, corner)], by_area=by_area)
    if faces is None:
        return None
    named: IndexArray = corner[faces]
    return named if (named != named[:, (1, 2, 0)]).all() else None


def _bent(
    vertices: FloatArray, faces: IndexArray, outer: FloatArray, ring: IndexArray, taken: BoolArray, plain: bool
) -> tuple[FloatArray, IndexArray]:
    count, total = len(taken), len(vertices)
    if total == count:
        return vertices, faces
    shifted = np.where(ring < count, ring, ring + total - count)
    free = np.zeros(total + len(outer), bool)
    free[count:total] = True
    for _ in range(PASSES):
        both = np.vstack([vertices, outer])
        if plain:
            vertices = stretched(vertices, faces, free[:total], vertices)
        else:
            vertices = faired(both, np.concatenate([faces, shifted]), free, both)[:total]
        faces = flipped(vertices, faces, taken)
    return vertices, faces


def _rim_facts(
    vertices: FloatArray, ring: IndexArray, count: int
) -> tuple[dict[tuple[int, int], FloatArray], BoolArray, FloatArray]:
    """Normal beyond each side of the rim, rim pairs with an edge already, and edge lengths around the rim.

    A side is named as a patch runs along it: from the end to the beginning of the open half-edge.
    """
    edges = edges_of(ring)
    ends = edges.ends
    length = np.linalg.norm(vertices[ends[:, 0]] - vertices[ends[:, 1]], axis=1)
    total, number = np.zeros(len(vertices)), np.zeros(len(vertices))
    for side in (0, 1):
        np.add.at(total, ends[:, side], length)
        np.add.at(number, ends[:, side], 1)
    size = (total / np.maximum(number, 1))[:count]
    taken = np.zeros((count, count), bool)
    both = ends[(ends < count).all(axis=1)]
    taken[both[:, 0], both[:, 1]] = taken[both[:, 1], both[:, 0]] = True
    unit = face_vectors(vertices, ring)
    unit /= np.maximum(np.linalg.norm(unit, axis=1, keepdims=True), np.finfo(float).tiny)
    halves = edges.boundary_halves
    tail, head = ring.reshape(-1)[halves].tolist(), ring[:, (1, 2, 0)].reshape(-1)[halves].tolist()
    return {(b, a): unit[half // 3] for a, b, half in zip(tail, head, halves, strict=True)}, taken, size
