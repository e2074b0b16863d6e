"""Making one patch: triangulated, refined, bent to carry on the surface around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.edges import edges_of
from pipeline.geometry.hole_fairing import faired, stretched
from pipeline.geometry.hole_refinement import flipped, refine
from pipeline.geometry.hole_triangulation import triangulate_hole
from pipeline.geometry.holes import Hole, Opening, Surroundings
from pipeline.geometry.measure import face_vectors
from pipeline.part import BoolArray, ColourArray, FloatArray, IndexArray, Mesh

PASSES = 3
"""The bending weights depend on the patch's shape: this many times solved, weighted by the shape before."""


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A patch for one hole.

    Attributes
    ----------
    inner : (k, 3) new vertices, mm
    faces : (m, 3) numbers below n mean the hole's loop, n + i means ``inner[i]``
    colours : (k, 3) uint8, or None
    """

    inner: FloatArray
    faces: IndexArray
    colours: ColourArray | None


def make_patch(mesh: Mesh, hole: Hole, around: Surroundings) -> Patch | None:
    """The patch for a hole, or None when its rim cannot be triangulated without a doubled edge."""
    loop, count = hole.loop, len(hole.loop)
    ring = mesh.faces[around.faces_at(loop)]
    outer = np.setdiff1d(ring, loop)
    local = np.full(len(mesh.vertices), -1, np.int32)
    local[loop], local[outer] = np.arange(count), count + np.arange(len(outer))
    known = np.concatenate([loop, outer])
    ring = local[ring]
    rim = mesh.vertices[loop]
    beside, taken, size = _rim_facts(mesh.vertices[known], ring, count)
    faces = triangulate_hole(rim, beside, taken)
    if faces is None:
        return None
    vertices, faces = refine(rim, faces, size, taken)
    bent, faces = _bent(vertices, faces, mesh.vertices[outer], ring, taken, hole.kind is Opening.CORNER)
    colours = None
    if mesh.colours is not None:
        values = np.zeros((len(bent), 3))
        values[:count] = mesh.colours[loop]
        spread = stretched(bent, faces, np.arange(len(bent)) >= count, values)[count:]
        colours = np.clip(np.round(spread), 0, 255).astype(np.uint8)
    return Patch(bent[count:], faces, colours)


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


def _rim_facts(vertices: FloatArray, ring: IndexArray, count: int) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Normals beyond the rim's sides, rim pairs with an edge, and edge lengths around the rim's vertices."""
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
    sides = np.arange(count)
    taken[sides, (sides + 1) % count] = taken[(sides + 1) % count, sides] = False
    beside = np.zeros((count, 3))
    normals = face_vectors(vertices, ring)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), np.finfo(float).tiny)
    halves = edges.boundary_halves
    tail, head = ring.reshape(-1)[halves], ring[:, (1, 2, 0)].reshape(-1)[halves]
    on_rim = (tail < count) & (head == (tail - 1) % count)
    beside[head[on_rim]] = normals[halves[on_rim] // 3]
    return beside, taken, size
