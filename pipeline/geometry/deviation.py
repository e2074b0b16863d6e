"""How far points lie from a surface, and on which side of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.edges import edges_of
from pipeline.geometry.measure import corner_angles, face_vectors
from pipeline.geometry.native import open3d, ray_scene
from pipeline.geometry.vectors import inner, length
from pipeline.part import FloatArray, IndexArray, LongArray, Mesh

BLOCK = 1_000_000
ON_EDGE = 1e-4
"""Barycentric weight below which the nearest point lies on the opposite side of its face."""
BINS = 20
SUPPORT_SAMPLES = 20_000


@dataclass(frozen=True, slots=True, eq=False)
class Deviation:
    """Signed distances in a few numbers, all in millimetres unless named otherwise.

    ``histogram`` (20,) counts between ``edges_mm`` (21,), from -2 to +2 tolerances; the outer bins hold what
    lies beyond.
    """

    points_count: int
    mean_mm: float
    rms_mm: float
    p95_mm: float
    p99_mm: float
    max_mm: float
    beyond_tolerance_percent: float
    edges_mm: FloatArray
    histogram: LongArray


class Surface:
    """A triangle mesh to measure distances from.

    The nearest point comes from a ray-casting library in 32 bit about the mesh's middle; the distance is
    computed again in 64 bit from the face and the place on it.

    Parameters
    ----------
    vertices : (n, 3), millimetres
    faces : (m, 3), counter-clockwise seen from outside
    """

    def __init__(self, vertices: FloatArray, faces: IndexArray) -> None:
        self.vertices, self.faces = vertices, faces
        self._middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
        self._scene = ray_scene(vertices - self._middle, faces)

    def nearest(self, points: FloatArray) -> tuple[IndexArray, FloatArray]:
        """(n,) nearest face and (n, 3) weights of its corners at the nearest point."""
        core = open3d().core
        face, weights = np.empty(len(points), np.int32), np.empty((len(points), 3))
        for start in range(0, len(points), BLOCK):
            block = slice(start, start + BLOCK)
            local = np.ascontiguousarray(points[block] - self._middle, np.float32)
            found = self._scene.compute_closest_points(core.Tensor(local))
            face[block] = found["primitive_ids"].numpy().astype(np.int32)
            weights[block, 1:] = found["primitive_uvs"].numpy()
        weights[:, 0] = 1 - weights[:, 1] - weights[:, 2]
        return face, weights

    def places(self, face: IndexArray, weights: FloatArray) -> FloatArray:
        """(n, 3) places on faces (n,) where their corners weigh so much (n, 3), as ``nearest`` gives them."""
        return _blended(self.vertices, np.take(self.faces, face, axis=0), weights)

    def distance(self, points: FloatArray) -> FloatArray:
        """(n,) unsigned distances, mm."""
        return length(points - self.places(*self.nearest(points)))

    def signed_distance(self, points: FloatArray) -> tuple[FloatArray, IndexArray]:
        """(n,) distances in mm, positive outside, and (n,) the nearest face.

        The side is that of the nearest face; where the nearest point lies on an edge or a corner, that of the
        angle-weighted pseudonormal there (Baerentzen & Aanaes 2005), so it is right on closed surfaces
        and still means something on open ones.
        """
        face, weights = self.nearest(points)
        offset = points - self.places(face, weights)
        size = length(offset)
        normals = _unit(face_vectors(self.vertices, self.faces))
        side = inner(offset, np.take(normals, face, axis=0))
        unclear = np.flatnonzero((weights < ON_EDGE).any(axis=1))
        if len(unclear):
            pseudo = self._pseudonormals(face[unclear], weights[unclear], normals)
            side[unclear] = np.einsum("ni,ni->n", offset[unclear], pseudo)
        return np.where(side < 0, -size, size), face

    def _pseudonormals(self, face: IndexArray, weights: FloatArray, normals: FloatArray) -> FloatArray:
        result = normals[face].copy()
        low = weights < ON_EDGE
        on_corner, on_side = np.flatnonzero(low.sum(axis=1) == 2), np.flatnonzero(low.sum(axis=1) == 1)
        if len(on_corner):
            at_vertex = np.zeros_like(self.vertices)
            weighted = corner_angles(self.vertices, self.faces)[:, :, None] * normals[:, None, :]
            np.add.at(at_vertex, self.faces.reshape(-1), weighted.reshape(-1, 3))
            result[on_corner] = at_vertex[self.faces[face[on_corner], weights[on_corner].argmax(axis=1)]]
        if len(on_side):
            edges = edges_of(self.faces)
            at_edge = np.zeros((len(edges.ends), 3))
            np.add.at(at_edge, edges.of_half, np.repeat(normals, 3, axis=0))
            opposite = low[on_side].argmax(axis=1)
            result[on_side] = at_edge[edges.of_half[3 * face[on_side].astype(np.int64) + (opposite + 1) % 3]]
        return result


def summary(distances: FloatArray, tolerance_mm: float) -> Deviation:
    """Signed distances (n,) in mm, n >= 1, summed up against a tolerance."""
    size = np.abs(distances)
    p95, p99 = np.percentile(size, (95, 99))
    bins = np.linspace(-2 * tolerance_mm, 2 * tolerance_mm, BINS + 1)
    counts, _ = np.histogram(np.clip(distances, bins[0], bins[-1]), bins)
    return Deviation(
        points_count=len(distances),
        mean_mm=float(distances.mean()),
        rms_mm=float(np.sqrt(np.mean(distances**2))),
        p95_mm=float(p95),
        p99_mm=float(p99),
        max_mm=float(size.max()),
        beyond_tolerance_percent=float(100 * np.mean(size > tolerance_mm)),
        edges_mm=bins,
        histogram=counts,
    )


def sample_surface(vertices: FloatArray, faces: IndexArray, count: int, seed: int = 0) -> tuple[FloatArray, IndexArray]:
    """(count, 3) points spread evenly over the area, and (count,) the face of each; the same every time."""
    rng = np.random.default_rng(seed)
    reach = np.cumsum(np.linalg.norm(face_vectors(vertices, faces), axis=1))
    at = (np.arange(count) + rng.random(count)) * (reach[-1] / count)
    face = np.minimum(np.searchsorted(reach, at, side="right"), len(faces) - 1).astype(np.int32)
    u, v = np.sqrt(rng.random(count)), rng.random(count)
    weights = np.column_stack([1 - u, u * (1 - v), u * v])
    return _blended(vertices, np.take(faces, face, axis=0), weights), face


def _blended(vertices: FloatArray, corners: IndexArray, weights: FloatArray) -> FloatArray:
    """(n, 3) means of three vertices each, (n, 3) of (m, 3), that weigh so much (n, 3)."""
    a, b, c = (np.take(vertices, corners[:, k], axis=0) * weights[:, k, None] for k in range(3))
    blended: FloatArray = a + b + c
    return blended


def surface_to_points(mesh: Mesh, tree: cKDTree, farthest_mm: float) -> tuple[FloatArray, FloatArray]:
    """(k, 3) places spread evenly over the surface, and (k,) how far from each the nearest point of ``tree`` is, mm.

    At most ``farthest_mm``; and 0 where the surface is flagged as filled, for there it is known that no point is near.
    """
    places, face = sample_surface(mesh.vertices, mesh.faces, SUPPORT_SAMPLES)
    away, _ = tree.query(places, distance_upper_bound=farthest_mm)
    return places, np.where(mesh.filled[face], 0.0, np.minimum(away, farthest_mm))


def _unit(vectors: FloatArray) -> FloatArray:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    unit: FloatArray = np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0)
    return unit
