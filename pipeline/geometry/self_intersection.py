"""Where a mesh passes through itself."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.boxes import meeting_box
from pipeline.geometry.edges import edges_of
from pipeline.geometry.native import open3d, ray_scene
from pipeline.geometry.vectors import length
from pipeline.part import BoolArray, FloatArray, IndexArray, LongArray

TOUCH = 1e-7
"""An edge pierces a face when both its ends are farther from the face's plane than this times the edge's length,
and the point between them lies inside the face by this share: what is less is a touch."""


def crossed_faces(vertices: FloatArray, faces: IndexArray, among: BoolArray | None = None) -> BoolArray:
    """Which faces are pierced by an edge of the mesh, or have an edge that pierces another face.

    Two triangles that cross do so along a segment that ends where an edge of one pierces the other, so
    casting every edge as a ray against every face finds them all; faces that share a vertex with the edge
    are its neighbours and do not count. Faces that lie flat on one another are not found.

    Parameters
    ----------
    vertices : (n, 3), millimetres
    faces : (m, 3)
    among : (m,) faces to test; None tests all, otherwise only crossings that one of these takes part in

    Returns
    -------
    (m,) bool
    """
    crossed = np.zeros(len(faces), bool)
    if among is None:
        _mark(vertices, faces, np.arange(len(faces)), np.arange(len(faces)), crossed)
    elif among.any():
        chosen = np.flatnonzero(among)
        near = _near(vertices, faces, chosen)
        _mark(vertices, faces, chosen, np.concatenate([chosen, near]), crossed)
        _mark(vertices, faces, near, chosen, crossed)
    return crossed


def _mark(vertices: FloatArray, faces: IndexArray, piercing: LongArray, pierced: LongArray, crossed: BoolArray) -> None:
    """Mark pairs of a face in ``piercing`` whose edge goes through a face in ``pierced``."""
    if len(piercing) == 0 or len(pierced) == 0:
        return  # the ray caster crashes without rays
    edges = edges_of(faces[piercing])
    ray, hit = _hits(vertices, edges.ends, faces[pierced])
    hit = pierced[hit]
    apart = ~(faces[hit][:, :, None] == edges.ends[ray][:, None, :]).any(axis=(1, 2))
    ray, hit = ray[apart], hit[apart]
    sure = _pierces(vertices[edges.ends[ray]], vertices[faces[hit]])
    pierces = np.zeros(len(edges.ends), bool)
    pierces[ray[sure]] = True
    crossed[piercing[pierces[edges.of_half.reshape(-1, 3)].any(axis=1)]] = True
    crossed[hit[sure]] = True


def _hits(vertices: FloatArray, ends: LongArray, faces: IndexArray) -> tuple[LongArray, LongArray]:
    """(k,) edges and (k,) faces that may meet, found in 32 bit."""
    core = open3d().core
    corners = vertices[faces].reshape(-1, 3)  # not all vertices: often few faces of a large mesh are asked about
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    scene = ray_scene(corners - middle, np.arange(len(corners)).reshape(-1, 3))
    begin, end = ((vertices[ends[:, side]] - middle).astype(np.float32) for side in (0, 1))
    found = scene.list_intersections(core.Tensor(np.hstack([begin, end - begin])))
    inside = found["t_hit"].numpy() < 1.001
    return found["ray_ids"].numpy()[inside].astype(np.int64), found["primitive_ids"].numpy()[inside].astype(np.int64)


def _pierces(segments: FloatArray, triangles: FloatArray) -> BoolArray:
    """(k,) whether each segment (k, 2, 3) goes through its triangle (k, 3, 3), in 64 bit."""
    begin, along = segments[:, 0], segments[:, 1] - segments[:, 0]
    corner, u, v = triangles[:, 0], triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    normal = np.cross(u, v)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), np.finfo(float).tiny)
    depth = np.einsum("ni,ni->n", corner - begin, normal)
    rise = np.einsum("ni,ni->n", along, normal)
    reach = TOUCH * np.linalg.norm(along, axis=1)
    through = (np.abs(depth) > reach) & (np.abs(rise - depth) > reach) & (depth * (rise - depth) > 0)
    share = np.divide(depth, rise, out=np.zeros_like(depth), where=through)
    at = begin + share[:, None] * along - corner
    uu, uv, vv = (np.einsum("ni,ni->n", one, other) for one, other in ((u, u), (u, v), (v, v)))
    au, av = np.einsum("ni,ni->n", at, u), np.einsum("ni,ni->n", at, v)
    scale = np.maximum(uu * vv - uv * uv, np.finfo(float).tiny)
    s, t = (vv * au - uv * av) / scale, (uu * av - uv * au) / scale
    inside: BoolArray = through & (s > TOUCH) & (t > TOUCH) & (s + t < 1 - TOUCH)
    return inside


def _near(vertices: FloatArray, faces: IndexArray, chosen: LongArray) -> LongArray:
    """The other faces that lie so near to one of the chosen that they may meet."""
    corners = vertices[faces[chosen]].reshape(-1, 3)
    others = np.ones(len(faces), bool)
    others[chosen] = False
    meeting = meeting_box(vertices, faces, corners.min(axis=0), corners.max(axis=0))
    meeting = meeting[others[meeting]]
    if len(meeting) == 0:
        return meeting
    middles, reach = _balls(vertices, faces[chosen])
    others_middles, others_reach = _balls(vertices, faces[meeting])
    within = reach.max() + others_reach
    apart = cKDTree(middles).query(others_middles, distance_upper_bound=(1 + TOUCH) * within.max())[0]
    near: LongArray = meeting[apart <= (1 + TOUCH) * within]
    return near


def _balls(vertices: FloatArray, faces: IndexArray) -> tuple[FloatArray, FloatArray]:
    """(m, 3) the middle of each face, and (m,) how far its corners lie from it, mm."""
    corners = [np.take(vertices, faces[:, corner], axis=0) for corner in range(3)]
    middles: FloatArray = (corners[0] + corners[1] + corners[2]) / 3
    reach = np.maximum.reduce([length(corner - middles) for corner in corners])
    return middles, reach
