"""The edges of a triangle mesh and how its corners hang together: what every check of topology needs.

Half-edge ``3 f + k`` runs from corner ``k`` of face ``f`` to corner ``k + 1``; it carries the same number as
the corner it starts at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.kinds import kinds
from pipeline.part import BoolArray, IndexArray, LongArray


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Every edge once, and the half-edges that run along it.

    Attributes
    ----------
    ends : (e, 2) int64 vertices, the lower first, in rising order
    faces_count : (e,) int64, faces at the edge: 1 on a boundary, 2 inside, more where not manifold
    of_half : (3 m,) int64, the edge of each half-edge
    order : (3 m,) int64, half-edges grouped by edge
    first : (e,) int64, where each edge's group begins in ``order``
    forward : (3 m,) bool, whether the half-edge runs from the lower to the higher vertex
    """

    ends: LongArray
    faces_count: LongArray
    of_half: LongArray
    order: LongArray
    first: LongArray
    forward: BoolArray

    @property
    def pairs(self) -> LongArray:
        """(p, 2) half-edges that share an edge; edges of more than two faces give a chain of pairs."""
        same = self.of_half[self.order[1:]] == self.of_half[self.order[:-1]]
        return np.column_stack([self.order[:-1][same], self.order[1:][same]])

    @property
    def boundary_halves(self) -> LongArray:
        """Half-edges whose edge has no other face."""
        halves: LongArray = self.order[self.first[self.faces_count == 1]]
        return halves


def edges_of(faces: IndexArray) -> Edges:
    """The edges of faces (m, 3); no face may name a vertex twice."""
    tail = faces.reshape(-1).astype(np.int64)
    head = faces[:, (1, 2, 0)].reshape(-1).astype(np.int64)
    low, high = np.minimum(tail, head), np.maximum(tail, head)
    base = int(high.max(initial=0)) + 1
    found = kinds(low * base + high)
    return Edges(
        ends=np.column_stack(np.divmod(found.keys, base)),
        faces_count=found.count,
        of_half=found.of_each,
        order=found.order,
        first=found.start,
        forward=tail < head,
    )


def touching(faces: IndexArray, vertices: BoolArray) -> BoolArray:
    """(m,) faces with a corner among the chosen vertices (n,)."""
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))  # numpy is slow along an axis of three
    return np.asarray(a | b | c, np.bool_)


def one_row_more(faces: IndexArray, chosen: BoolArray) -> BoolArray:
    """(m,) the chosen faces and those that touch them."""
    corners = np.zeros(int(faces.max()) + 1, bool)
    corners[faces[chosen]] = True
    return touching(faces, corners)


def corner_fans(faces: IndexArray, edges: Edges, *, across_all: bool = True) -> IndexArray:
    """Which fan of faces about its vertex each corner belongs to.

    A manifold vertex has one fan. Two corners of a vertex share a fan when one can walk from face to face
    between them across edges at that vertex.

    Parameters
    ----------
    faces : (m, 3)
    edges : of the same faces
    across_all : walk also across edges of more than two faces; False gives the fans that remain when such
        edges are cut open

    Returns
    -------
    (3 m,) int32 fan numbers from 0; every fan has exactly one vertex.
    """
    pairs = edges.pairs
    if not across_all:
        pairs = pairs[edges.faces_count[edges.of_half[pairs[:, 0]]] == 2]
    one, other = pairs[:, 0], pairs[:, 1]
    opposed = edges.forward[one] != edges.forward[other]
    one_end, other_end = following(one), following(other)
    begin = np.where(opposed, other_end, other)
    end = np.where(opposed, other, other_end)
    return connected(faces.size, np.concatenate([one, one_end]), np.concatenate([begin, end]))


def face_components(faces: IndexArray, edges: Edges) -> IndexArray:
    """(m,) int32 component of each face; faces hang together where they share an edge."""
    pairs = edges.pairs // 3
    return connected(len(faces), pairs[:, 0], pairs[:, 1])


def connected(count: int, one: NDArray[np.integer[Any]], other: NDArray[np.integer[Any]]) -> IndexArray:
    """(count,) int32 labels of the connected groups of 0..count-1, linked one[i] - other[i]."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = coo_array((np.ones(len(one), np.int8), (one, other)), shape=(count, count))
    labels: IndexArray = connected_components(graph, directed=False)[1].astype(np.int32)
    return labels


def following(half: LongArray) -> LongArray:
    """The following corner of the same face; where the half-edge ends."""
    return np.where(half % 3 == 2, half - 2, half + 1)
