"""Giving patches triangles of the size of those around it (Liepa 2003), and the shape Delaunay asks for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry.edges import edges_of
from pipeline.geometry.vectors import cross, length
from pipeline.part import BoolArray, FloatArray, IndexArray, LongArray

SPLIT = np.sqrt(2)
ROUNDS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Patches side by side: one mesh in pieces that have no vertex in common.

    Attributes
    ----------
    vertices : (n, 3) millimetres, those on the rims first
    faces : (m, 3)
    piece : (n,) which piece each vertex belongs to
    rim_count : how many vertices lie on the rims
    taken : (t, 2) vertices on a rim, the lower first, between which the mesh around has an edge
    """

    vertices: FloatArray
    faces: IndexArray
    piece: LongArray
    rim_count: int
    taken: LongArray


def refined(pieces: Pieces, size: FloatArray, limit: int = 100_000) -> Pieces:
    """Split the pieces' triangles at their middles until they are as small as those around.

    Parameters
    ----------
    pieces : every vertex lies on a rim
    size : (n,) length of the edges around each vertex, mm
    limit : no piece gets more vertices than this
    """
    pieces = flipped(pieces)
    for _ in range(ROUNDS):
        vertices, faces, of_face = pieces.vertices, pieces.faces, pieces.piece[pieces.faces[:, 0]]
        middle = vertices[faces].mean(axis=1)
        wanted = size[faces].mean(axis=1)
        reach = SPLIT * length(vertices[faces] - middle[:, None])
        split = (reach > np.maximum(wanted[:, None], size[faces])).all(axis=1)
        count = np.bincount(pieces.piece)
        full = count + np.bincount(of_face[split], minlength=len(count)) > limit
        split &= ~full[of_face]
        if not split.any():
            break
        new = np.arange(len(vertices), len(vertices) + split.sum(), dtype=np.int32)
        a, b, c = faces[split].T
        parts = [np.column_stack(corners) for corners in ((a, b, new), (b, c, new), (c, a, new))]
        size = np.append(size, wanted[split])
        finer = replace(
            pieces,
            vertices=np.vstack([vertices, middle[split]]),
            faces=np.concatenate([faces[~split], *parts]),
            piece=np.append(pieces.piece, of_face[split]),
        )
        pieces = flipped(finer)
    return pieces


def flipped(pieces: Pieces) -> Pieces:
    """The pieces with inner edges flipped until the angles opposite each add up to at most 180 degrees.

    Flips that would turn a face over, or make an edge that the patch or the mesh has already, are left out.
    Each round flips the worst edges that share no face; a piece in which none was flipped is done.
    """
    faces = pieces.faces.copy()
    asked = np.arange(len(faces))
    for _ in range(ROUNDS):
        changed, turned = _turned(pieces, faces[asked])
        if len(turned) == 0:
            break
        faces[asked] = changed
        busy = np.zeros(int(pieces.piece.max()) + 1, bool)
        busy[pieces.piece[changed[turned, 0]]] = True
        asked = asked[busy[pieces.piece[changed[:, 0]]]]
    return replace(pieces, faces=faces)


def _turned(pieces: Pieces, faces: IndexArray) -> tuple[IndexArray, LongArray]:
    """The faces of whole pieces after one round of flips, and which of them were turned."""
    faces, vertices = faces.copy(), pieces.vertices
    edges = edges_of(faces)
    inner = edges.faces_count == 2
    one, other = edges.order[edges.first[inner]], edges.order[edges.first[inner] + 1]
    flat = faces.reshape(-1)
    a, c = flat[one], flat[_before(one)]
    b, d = flat[other], flat[_before(other)]
    excess = _angle(vertices, c, a, b) + _angle(vertices, d, b, a) - np.pi
    index = np.flatnonzero((excess > 1e-6) & (c != d) & _stays_upright(vertices, a, b, c, d))
    base = len(vertices)
    across = np.minimum(c, d).astype(np.int64) * base + np.maximum(c, d)
    there = np.concatenate([edges.ends, pieces.taken]) @ np.array([base, 1])
    index = index[~np.isin(across[index], there)]
    index = index[np.argsort(-excess[index], kind="stable")]
    index = index[np.sort(np.unique(across[index], return_index=True)[1])]
    best, mine = np.full(len(faces), len(index)), np.arange(len(index))
    np.minimum.at(best, one[index] // 3, mine)
    np.minimum.at(best, other[index] // 3, mine)
    index = index[(best[one[index] // 3] == mine) & (best[other[index] // 3] == mine)]
    faces[one[index] // 3] = np.column_stack([a[index], d[index], c[index]])
    faces[other[index] // 3] = np.column_stack([d[index], b[index], c[index]])
    return faces, np.concatenate([one[index] // 3, other[index] // 3])


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
