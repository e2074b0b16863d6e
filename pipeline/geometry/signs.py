"""Signs for unsigned normals, so that those of one surface point to one side of it.

Whether two neighbours agree is judged by reflecting one normal in the plane between them, which stays right across
sharp edges and between the two faces of a thin wall (Koenig & Gumhold, "Consistent propagation of normal orientations
in point clouds", 2009). Signs run along a minimum spanning tree of the neighbours (Hoppe et al., "Surface
reconstruction from unorganized points", 1992).

A tree hangs the sign of a whole bore on its one most plausible link, and where the bore's rim was not measured that
link may be wrong. Where a part was captured from around, the tree therefore only runs within small patches of clear
agreement; these are joined by the sum of all links between them and by what is seen of each from around, strongest
first (greedy additive edge contraction: Keuper et al., "Efficient decomposition of image and mesh graphs by lifted
multicuts", 2015; sources cited from memory).
"""

from __future__ import annotations

from heapq import heapify, heappop, heappush

import numpy as np
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree

from pipeline.geometry.cloud import unit
from pipeline.geometry.sparse_grid import box_keys
from pipeline.part import FloatArray, IndexArray, LongArray

CHUNK = 524_288
PATCH_SPACINGS = 8.0
"""Edge of the cube that holds a patch: small enough that what is wrong within one turns nothing else."""
CLEAR = 0.9
"""Links of this agreement or more hold a patch together."""
SEEN = 0.3
"""Weight of a vote beside that of a link: less than the links of one patch to the next, more over a whole surface."""


def agreeing_signs(
    points: FloatArray, normals: FloatArray, neighbours: IndexArray, spacing: float, votes: FloatArray | None = None
) -> tuple[FloatArray, LongArray]:
    """Signs that make the normals of each piece of surface agree.

    Parameters
    ----------
    points, normals : (n, 3), millimetres and unit vectors of arbitrary sign
    neighbours : (n, k) indices, each point's own first
    spacing : of the points, millimetres
    votes : (n,) how clearly each is seen from its normal's side rather than from the other, when the part was captured
        from around; a patch's votes are one more link, to whoever looks. None: one tree over all links

    Returns
    -------
    (n,) +1 or -1, and (n,) the piece.
    """
    count = len(points)
    first = np.repeat(np.arange(count), neighbours.shape[1] - 1)
    second = neighbours[:, 1:].ravel().astype(np.int64)
    agreement = _agreement(points, normals, first, second)
    if votes is None:
        return _along_tree(_tree(first, second, agreement, count), points, normals)
    cube = box_keys((points - points.min(axis=0, initial=np.inf)) / (PATCH_SPACINGS * spacing))
    within = (cube[first] == cube[second]) & (np.abs(agreement) >= CLEAR)
    sign, patch = _along_tree(_tree(first[within], second[within], agreement[within], count), points, normals)
    between = np.flatnonzero(patch[first] != patch[second])
    first, second, agreement = first[between], second[between], agreement[between]
    weight = agreement * np.abs(agreement) * sign[first] * sign[second]
    around = int(patch.max(initial=-1)) + 1  # one more patch: whoever looks
    patch_sign, piece = _joined(
        np.append(patch[first], np.arange(around)),
        np.append(patch[second], np.full(around, around)),
        np.append(weight, SEEN * np.bincount(patch, votes * sign, around)),
        around + 1,
    )
    return sign * (patch_sign * patch_sign[around])[patch], piece[patch]


def _agreement(points: FloatArray, normals: FloatArray, first: LongArray, second: LongArray) -> FloatArray:
    """(m,) cosine between one normal and the other's mirror image."""
    agreement = np.empty(len(first))
    for start in range(0, len(first), CHUNK):
        here = slice(start, start + CHUNK)
        one, other = normals[first[here]], normals[second[here]]
        chord = unit(points[second[here]] - points[first[here]])
        agreement[here] = np.einsum("ni,ni->n", one, other) - 2 * np.einsum("ni,ni->n", one, chord) * np.einsum(
            "ni,ni->n", other, chord
        )
    return agreement


def _tree(first: LongArray, second: LongArray, agreement: FloatArray, count: int) -> csr_array:
    """The links that hold all together with the least doubt."""
    cost = np.maximum(1.001 - np.abs(agreement), 1e-6)
    return minimum_spanning_tree(coo_array((cost, (first, second)), shape=(count, count)).tocsr())


def _along_tree(tree: csr_array, points: FloatArray, normals: FloatArray) -> tuple[FloatArray, LongArray]:
    """Multiply the agreements down from each patch's root, by pointer doubling."""
    count = len(points)
    pieces, label = connected_components(tree, directed=False)
    parent = np.arange(count)
    roots = np.unique(label, return_index=True)[1]
    # One extra node joins all pieces, so that a single walk visits everything.
    joined = coo_array(tree)
    rows = np.concatenate([joined.row, np.full(pieces, count)])
    columns = np.concatenate([joined.col, roots])
    graph = coo_array((np.ones(len(rows)), (rows, columns)), shape=(count + 1, count + 1)).tocsr()
    _, before = breadth_first_order(graph, count, directed=False)
    parent = np.where(before[:count] == count, np.arange(count), before[:count])
    sign = np.where(_agreement(points, normals, np.arange(count), parent) < 0, -1.0, 1.0)
    return _from_roots(parent, sign)[0], label.astype(np.int64)


def _from_roots(parent: LongArray, sign: FloatArray) -> tuple[FloatArray, LongArray]:
    """Signs against each tree's root, of signs against each node's parent, and the roots; by pointer doubling."""
    own = np.arange(len(parent))
    while True:
        above = parent[parent]
        if np.array_equal(above, parent):
            return sign, parent
        sign = sign * np.where(parent == own, 1.0, sign[parent])
        parent = above


def _joined(first: LongArray, second: LongArray, weight: FloatArray, count: int) -> tuple[FloatArray, LongArray]:
    """(count,) sign and piece of each patch, given links between patches: the pair with the largest sum is joined,
    its links become those of the joint patch, and so on."""
    links = _links(first, second, weight, count)
    heap = [
        (-abs(total), one, other) for one, others in enumerate(links) for other, total in others.items() if one < other
    ]
    heapify(heap)
    parent, turned = np.arange(count), np.ones(count)
    while heap:
        strength, one, other = heappop(heap)
        total = links[one].get(other, 0.0)
        if total == 0.0 or abs(total) != -strength:
            continue  # joined meanwhile, or of another sum by now
        if len(links[one]) < len(links[other]):
            one, other = other, one
        parent[other], turned[other] = one, np.sign(total)
        del links[one][other], links[other][one]
        for third, of_other in links[other].items():
            del links[third][other]
            both = links[one].get(third, 0.0) + turned[other] * of_other
            links[one][third] = links[third][one] = both
            heappush(heap, (-abs(both), one, third))
        links[other] = {}
    sign, root = _from_roots(parent, turned)
    return sign, np.unique(root, return_inverse=True)[1]


def _links(first: LongArray, second: LongArray, weight: FloatArray, count: int) -> list[dict[int, float]]:
    """Of each patch, the patches it has links to and the sum of their weights."""
    pair, which = np.unique(np.minimum(first, second) * count + np.maximum(first, second), return_inverse=True)
    links: list[dict[int, float]] = [{} for _ in range(count)]
    total = np.bincount(which, weight, len(pair))
    for one, other, value in zip((pair // count).tolist(), (pair % count).tolist(), total.tolist(), strict=True):
        links[one][other] = links[other][one] = value
    return links
