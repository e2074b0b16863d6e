"""Normals of a bare cloud: directions by principal components, signs by propagation, outside by visibility."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree

from pipeline.geometry.cloud import unit
from pipeline.part import FloatArray, IndexArray

CHUNK = 65_536
DIRECTIONS = 60
VOTERS = 60_000


def principal_normals(points: FloatArray, weight: FloatArray, neighbours: IndexArray, thickness: float) -> FloatArray:
    """Unit normals of arbitrary sign.

    The plane through the nearest neighbours, then twice the plane through those neighbours that lie within
    ``thickness`` of the plane before, so that the other face of a thin wall does not count.

    Parameters
    ----------
    points : (n, 3), millimetres
    weight : (n,)
    neighbours : (n, k) indices, nearest first, each point's own first
    thickness : millimetres; standard deviation of the weight across the plane
    """
    out = np.empty_like(points)
    near = min(8, neighbours.shape[1])
    for start in range(0, len(points), CHUNK):
        index = neighbours[start : start + CHUNK]
        offset = points[index] - points[start : start + CHUNK, None]
        mass = weight[index]
        normal = _smallest_axis(offset[:, :near], mass[:, :near])
        for _ in range(2):
            height = np.einsum("nki,ni->nk", offset, normal)
            height -= np.median(height[:, :near], axis=1, keepdims=True)
            normal = _smallest_axis(offset, mass * np.exp(-((height / thickness) ** 2)))
        out[start : start + CHUNK] = normal
    return out


def oriented(points: FloatArray, normals: FloatArray, neighbours: IndexArray) -> tuple[FloatArray, float]:
    """Normals turned to point out of the surface.

    Signs run along the minimum spanning tree of the neighbour graph (Hoppe et al. 1992); whether two
    neighbours agree is judged by reflecting one normal in the plane between them, which stays right across
    sharp edges and between the two faces of a thin wall (Koenig & Gumhold 2009). Each connected piece is then
    turned so that it shows its outside to those who can see it from around.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) of arbitrary sign
    neighbours : (n, k) indices, each point's own first

    Returns
    -------
    (n, 3) normals, and how sure the outside is: the smallest share by which the votes agree, 0 to 1, over the
    pieces that hold a hundredth of the points.
    """
    signed = normals * propagated_signs(points, normals, neighbours)[:, None]
    pieces, label = _pieces(neighbours)
    votes, cast = _votes(points, signed)
    vote = np.bincount(label, weights=votes, minlength=pieces)
    total = np.bincount(label, weights=cast, minlength=pieces)
    turn = np.where(vote < 0, -1.0, 1.0)
    weighty = np.bincount(label, minlength=pieces) >= 0.01 * len(points)
    sure = np.abs(vote) / np.maximum(total, 1e-12)
    return signed * turn[label, None], float(sure[weighty].min(initial=1.0))


def propagated_signs(points: FloatArray, normals: FloatArray, neighbours: IndexArray) -> FloatArray:
    """(n,) +1 or -1 that make the normals of each connected piece agree."""
    count = len(points)
    first = np.repeat(np.arange(count), neighbours.shape[1] - 1)
    second = neighbours[:, 1:].ravel()
    agreement = np.empty(len(first))
    for start in range(0, len(first), 8 * CHUNK):
        here = slice(start, start + 8 * CHUNK)
        one, other = normals[first[here]], normals[second[here]]
        chord = unit(points[second[here]] - points[first[here]])
        agreement[here] = np.einsum("ni,ni->n", one, other) - 2 * np.einsum("ni,ni->n", one, chord) * np.einsum(
            "ni,ni->n", other, chord
        )
    cost = 1.001 - np.abs(agreement)
    tree = minimum_spanning_tree(coo_array((np.maximum(cost, 1e-6), (first, second)), shape=(count, count)).tocsr())
    return _along_tree(tree, points, normals)


def _along_tree(tree: csr_array, points: FloatArray, normals: FloatArray) -> FloatArray:
    """Multiply the agreements down from each piece's root, by pointer doubling."""
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
    chord = unit(points - points[parent])
    sign = np.einsum("ni,ni->n", normals, normals[parent])
    sign -= 2 * np.einsum("ni,ni->n", normals, chord) * np.einsum("ni,ni->n", normals[parent], chord)
    sign = np.where(sign < 0, -1.0, 1.0)
    while True:
        above = parent[parent]
        if np.array_equal(above, parent):
            return sign
        sign = sign * np.where(parent == np.arange(count), 1.0, sign[parent])
        parent = above


def _pieces(neighbours: IndexArray) -> tuple[int, IndexArray]:
    count = len(neighbours)
    first, second = np.repeat(np.arange(count), neighbours.shape[1] - 1), neighbours[:, 1:].ravel()
    return connected_components(
        coo_array((np.ones(len(first), np.int8), (first, second)), shape=(count, count)), directed=False
    )


def _votes(points: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n,) sum of the cosines under which each point is seen from around, and of their absolute values.

    A point is seen from a direction when no other lies clearly before it in the same pixel.
    """
    votes, cast = np.zeros(len(points)), np.zeros(len(points))
    chosen = np.arange(len(points))
    if len(points) > VOTERS:
        chosen = np.sort(np.random.default_rng(0).choice(len(points), VOTERS, replace=False))
    some = points[chosen] - points[chosen].mean(axis=0)
    area = np.prod(np.maximum(np.ptp(some, axis=0), 1e-9)) ** (2 / 3) * 6
    pixel = 2.5 * np.sqrt(area / len(chosen))
    for view in _directions():
        across = np.linalg.svd(view[None])[2][1:]
        cell = np.floor(some @ across.T / pixel).astype(np.int64)
        cell -= cell.min(axis=0)
        key = cell[:, 0] * (cell[:, 1].max() + 1) + cell[:, 1]
        depth = some @ view
        front = np.full(int(key.max()) + 1, -np.inf)
        np.maximum.at(front, key, depth)
        seen = depth > front[key] - 2 * pixel
        cosine = normals[chosen[seen]] @ view
        votes[chosen[seen]] += cosine
        cast[chosen[seen]] += np.abs(cosine)
    return votes, cast


def _directions() -> FloatArray:
    """Evenly spread directions (spherical Fibonacci lattice)."""
    step = np.arange(DIRECTIONS) + 0.5
    height = 1 - 2 * step / DIRECTIONS
    turn = step * np.pi * (3 - np.sqrt(5))
    flat = np.sqrt(1 - height**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)


def _smallest_axis(offset: NDArray[np.floating], mass: NDArray[np.floating]) -> FloatArray:
    mass = mass / np.maximum(mass.sum(axis=1, keepdims=True), 1e-300)
    centred = offset - np.einsum("nk,nki->ni", mass, offset)[:, None]
    spread = np.matmul((centred * mass[..., None]).transpose(0, 2, 1), centred)
    return np.asarray(np.linalg.eigh(spread)[1][:, :, 0], float)
