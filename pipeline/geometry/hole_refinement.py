"""Giving a patch triangles of the size of those around it (Liepa 2003), and the shape Delaunay asks for."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.edges import edges_of
from pipeline.geometry.vectors import cross, length
from pipeline.part import BoolArray, FloatArray, IndexArray

SPLIT = np.sqrt(2)
ROUNDS = 60


def refine(
    vertices: FloatArray, faces: IndexArray, size: FloatArray, taken: BoolArray, limit: int = 100_000
) -> tuple[FloatArray, IndexArray]:
    """Split a patch's triangles at their middles until they are as small as those around.

    Parameters
    ----------
    vertices : (n, 3) the rim's corners, millimetres
    faces : (m, 3) the patch; every vertex lies on the rim
    size : (n,) length of the edges around each corner, mm
    taken : (n, n) rim corners between which the mesh has an edge already
    limit : no more vertices than this

    Returns
    -------
    Vertices, the rim's first, and faces.
    """
    faces = flipped(vertices, faces, taken)
    for _ in range(ROUNDS):
        middle = vertices[faces].mean(axis=1)
        wanted = size[faces].mean(axis=1)
        reach = SPLIT * length(vertices[faces] - middle[:, None])
        split = (reach > np.maximum(wanted[:, None], size[faces])).all(axis=1)
        if not split.any() or len(vertices) + split.sum() > limit:
            break
        new = np.arange(len(vertices), len(vertices) + split.sum(), dtype=np.int32)
        a, b, c = faces[split].T
        parts = [np.column_stack(corners) for corners in ((a, b, new), (b, c, new), (c, a, new))]
        vertices, size = np.vstack([vertices, middle[split]]), np.append(size, wanted[split])
        faces = flipped(vertices, np.concatenate([faces[~split], *parts]), taken)
    return vertices, faces


def flipped(vertices: FloatArray, faces: IndexArray, taken: BoolArray) -> IndexArray:
    """The patch with inner edges flipped until the angles opposite each add up to at most 180 degrees.

    Flips that would turn a face over, or make an edge that the patch or the mesh has already, are left out.
    Each round flips the worst edges that share no face.
    """
    faces = faces.copy()
    rim = len(taken)
    for _ in range(ROUNDS):
        edges = edges_of(faces)
        inner = edges.faces_count == 2
        one, other = edges.order[edges.first[inner]], edges.order[edges.first[inner] + 1]
        flat = faces.reshape(-1)
        a, c = flat[one], flat[_before(one)]
        b, d = flat[other], flat[_before(other)]
        excess = _angle(vertices, c, a, b) + _angle(vertices, d, b, a) - np.pi
        worth = (excess > 1e-6) & (c != d) & _stays_upright(vertices, a, b, c, d)
        low, high = np.minimum(c, d).astype(np.int64), np.maximum(c, d).astype(np.int64)
        base = len(vertices)
        worth &= ~np.isin(low * base + high, edges.ends[:, 0] * base + edges.ends[:, 1])
        on_rim = high < rim
        worth[on_rim] &= ~taken[low[on_rim], high[on_rim]]
        index = np.flatnonzero(worth)
        if len(index) == 0:
            break
        index = index[np.argsort(-excess[index], kind="stable")]
        index = index[np.unique((low * base + high)[index], return_index=True)[1]]
        index = index[np.argsort(-excess[index], kind="stable")]
        best = np.full(len(faces), len(index))
        np.minimum.at(best, one[index] // 3, np.arange(len(index)))
        np.minimum.at(best, other[index] // 3, np.arange(len(index)))
        mine = np.arange(len(index))
        index = index[(best[one[index] // 3] == mine) & (best[other[index] // 3] == mine)]
        faces[one[index] // 3] = np.column_stack([a[index], d[index], c[index]])
        faces[other[index] // 3] = np.column_stack([d[index], b[index], c[index]])
    return faces


def _before(half: IndexArray) -> IndexArray:
    """The corner opposite a half-edge: the one before its start."""
    return np.where(half % 3 == 0, half + 2, half - 1)


def _angle(vertices: FloatArray, at: IndexArray, one: IndexArray, other: IndexArray) -> FloatArray:
    u, v = vertices[one] - vertices[at], vertices[other] - vertices[at]
    angle: FloatArray = np.arctan2(length(cross(u, v)), np.einsum("ni,ni->n", u, v))
    return angle


def _stays_upright(vertices: FloatArray, a: IndexArray, b: IndexArray, c: IndexArray, d: IndexArray) -> BoolArray:
    """Whether both faces after the flip look the way the two before it do together."""
    pa, pb, pc, pd = vertices[a], vertices[b], vertices[c], vertices[d]
    before = cross(pb - pa, pc - pa) + cross(pa - pb, pd - pb)
    one, other = cross(pd - pa, pc - pa), cross(pb - pd, pc - pd)
    upright: BoolArray = (np.einsum("ni,ni->n", one, before) > 0) & (np.einsum("ni,ni->n", other, before) > 0)
    return upright
