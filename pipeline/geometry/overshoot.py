"""Vertices that run past an edge of the part or past the last point, drawn back.

Where a face ends and the one beside it was seen too sparsely for an edge to be made, the local fit carries the face
on into the air or into the matter. The sparse points tell all the same: of two places on one convex edge's faces each
lies behind the plane of the other, of a concave edge's each in front. A vertex that lies in front of a point's plane
while the point lies behind its own (or the other way round) has gone past the edge between them. Where no other face
was seen at all, the face ends at its outermost point.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry.neighbours import Columns, offsets, pieces
from pipeline.part import IndexArray

ANOTHER_FACE = 0.8
"""Cosine between normals below which a point lies on another face than the vertex, and above which two points lie on
the same other face."""
CELLS_AROUND = 2.0
"""Points farther away than this say nothing of the edge nearby."""
ROUNDS = 2
FARTHEST_CELLS = 0.75
"""No vertex goes farther: its neighbours would have to go as far, or the surface passes through itself."""


def drawn_back(
    vertices: Columns, normals: Columns, points: Columns, point_normals: Columns, around: IndexArray, cell: float
) -> Columns:
    """Vertices moved along their own face, back to the plane of the face that ends it or to the last point on it.

    Parameters
    ----------
    vertices, normals : (3, n) millimetres, unit
    points, point_normals : (3, m) denoised measurements
    around : (n, k) the points about each vertex
    cell : edge length of the grid, millimetres

    Returns
    -------
    (3, n) vertices; those among their points that no point contradicts are where they were.
    """
    placed = np.array(vertices)
    for here in pieces(placed.shape[1]):
        evidence = points, point_normals, around[here]
        for _ in range(ROUNDS):
            placed[:, here] -= _past_the_edge(placed[:, here], normals[:, here], *evidence, CELLS_AROUND * cell)
        placed[:, here] -= _past_the_last(placed[:, here], normals[:, here], points, around[here])
    way = placed - vertices
    farthest = FARTHEST_CELLS * cell
    share = farthest / np.maximum(np.linalg.norm(way, axis=0), farthest)
    return np.asarray(vertices + share * way, np.float32)


def _past_the_edge(
    vertices: Columns, normals: Columns, points: Columns, point_normals: Columns, index: IndexArray, reach: float
) -> Columns:
    """(3, n) how far each vertex has gone past the edge; the nearest contradicting point chooses the other face."""
    offset = np.stack(offsets(points, index, vertices), axis=2)
    facing = np.stack([component[index] for component in point_normals], axis=2)
    away = np.linalg.norm(offset, axis=2)
    alike = np.einsum("nki,in->nk", facing, normals)
    point_above = np.einsum("nki,in->nk", offset, normals)
    vertex_above = -np.einsum("nki,nki->nk", offset, facing)
    contrary = (np.abs(alike) < ANOTHER_FACE) & (point_above * vertex_above < 0) & (away < reach)
    nearest = np.where(contrary, away, np.inf).argmin(axis=1)
    same_face = np.einsum("nki,ni->nk", facing, facing[np.arange(len(index)), nearest]) > ANOTHER_FACE
    share = np.where(contrary & same_face, np.exp(-((2 * away / reach) ** 2)), 0.0)
    share /= np.maximum(share.sum(axis=1, keepdims=True), np.finfo(float).tiny)
    along = facing - alike[..., None] * normals.T[:, None]  # its length is the sine of the angle between the faces
    steep = np.maximum(1 - alike**2, 1 - ANOTHER_FACE**2)
    past: Columns = np.einsum("nk,nki->in", share * vertex_above / steep, along).astype(np.float32)
    return past


def _past_the_last(vertices: Columns, normals: Columns, points: Columns, index: IndexArray) -> Columns:
    """(3, n) how far each vertex has gone past the outermost of its points, along its face away from their centre."""
    offset = np.stack(offsets(points, index, vertices), axis=2)
    inwards = offset.mean(axis=1)
    inwards -= np.einsum("ni,in->n", inwards, normals)[:, None] * normals.T
    inwards /= np.maximum(np.linalg.norm(inwards, axis=1, keepdims=True), np.finfo(np.float32).tiny)
    least = np.einsum("nki,ni->nk", offset, inwards).min(axis=1)
    past: Columns = (-np.maximum(least, 0) * inwards.T).astype(np.float32)
    return past
