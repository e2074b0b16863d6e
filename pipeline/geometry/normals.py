"""Normals of a bare cloud: directions by principal components, signs by propagation, outside by visibility."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.directions import directions_around
from pipeline.geometry.neighbours import Columns, columns, dot, nearest, offsets, pieces
from pipeline.geometry.signs import agreeing_signs
from pipeline.part import FloatArray, IndexArray, LongArray, NormalArray

CHUNK = 65_536
PLANE_NEIGHBOURS = 8
CONSISTENT = 0.8
"""Share of neighbouring normals that agree: one half when signs are arbitrary, near one when they are right."""
SETTLED = 0.8
"""A point whose own plane holds this share of its neighbours is not near an edge."""
BESIDE = 2.0
"""How far off a face a point may lie and still belong to it, in thicknesses: means across an edge lie inside it."""
CLEARLY = 1.05
"""Another plane must hold this much more than a point's own."""
SURE = 0.15
"""Below this the outside of a cloud without normals may as well be the inside."""
DIRECTIONS, MORE_DIRECTIONS = 14, 56
"""From which points are looked at; and from which those are that are hardly seen so, as down a narrow mouth."""
HARDLY_SEEN = 0.02
"""Mean cosine, over a point, its neighbours and all directions, up to which it is hardly seen: an open face is seen
with a quarter. What little is seen of a hidden one is seen through gaps between the points before it."""
MOST_PIXELS = 1_000
LINKS = 8
RING = 6


def consistent(points: FloatArray, normals: NormalArray, tree: cKDTree) -> bool:
    """Whether given normals point to one side: neighbours' normals form an acute angle, but for edges and walls.

    Parameters
    ----------
    points, normals : (n, 3)
    tree : of the points
    """
    step = max(1, len(points) // 4_000)
    index = nearest(tree, points[::step], 5)[1]
    agree = np.einsum("ni,nki->nk", normals[::step], normals[index[:, 1:]]) > 0
    return bool(agree.mean() > CONSISTENT) if agree.size else True


def principal_normals(
    points: Columns, weight: NDArray[np.float32], neighbours: IndexArray, thickness: float
) -> Columns:
    """Unit normals of arbitrary sign.

    The plane through the nearest neighbours, then the plane through those neighbours that lie within
    ``thickness`` of the plane before, so that the other face of a thin wall does not count.

    Parameters
    ----------
    points : (3, n), millimetres
    weight : (n,) measurements each one stands for
    neighbours : (n, k) indices, nearest first, each point's own first
    thickness : millimetres; scale of the weight across the plane
    """
    out = np.empty_like(points)
    for here in pieces(points.shape[1]):
        index = neighbours[here]
        offset = offsets(points, index, points[:, here])
        mass = weight[index]
        near = mass * (np.arange(index.shape[1]) < PLANE_NEIGHBOURS)
        normal = _thinnest(offset, near)
        out[:, here] = _thinnest(offset, mass * _in_plane(offset, normal, thickness))
    return out


def settled_normals(
    points: Columns, normals: Columns, weight: NDArray[np.float32], neighbours: IndexArray, thickness: float
) -> Columns:
    """Near edges, the normal of the face that each point belongs to.

    There a plane through all neighbours belongs to no face. Each point whose neighbours mostly lie off its own
    plane tries those of its neighbours and takes the one that holds most points (a consensus as in RANSAC,
    Fischler & Bolles 1981, with the neighbours' planes as the only hypotheses).
    """
    out = np.array(normals)
    for here in pieces(points.shape[1]):
        index = neighbours[here]
        mass = weight[index]
        held = (mass * _in_plane(offsets(points, index, points[:, here]), normals[:, here], thickness)).sum(axis=1)
        unsettled = np.flatnonzero(held < SETTLED * mass.sum(axis=1))
        if len(unsettled) == 0:
            continue
        index, mass = index[unsettled], mass[unsettled]
        which = here.start + unsettled
        offset = offsets(points, index, points[:, which])
        best, held = normals[:, which], CLEARLY * held[unsettled]
        height = np.zeros(len(which), np.float32)
        for k, other in enumerate(index.T[1:], 1):
            tried = normals[:, other]
            off = sum(component[:, k] * along for component, along in zip(offset, tried, strict=True))
            holds = (mass * _in_plane(offset, tried, thickness, off)).sum(axis=1)
            holds *= np.exp(-np.square(off / (BESIDE * thickness)))
            better = holds > held
            held, best, height = (
                np.where(better, holds, held),
                np.where(better, tried, best),
                np.where(better, off, height),
            )
        changed = (best != normals[:, which]).any(axis=0)
        inside = _in_plane(offset, best, thickness, height)
        fitted = _thinnest([c[changed] for c in offset], (mass * inside)[changed])
        sign = np.where((fitted * best[:, changed]).sum(axis=0) < 0, -1, 1)
        out[:, which[changed]] = fitted * sign
    return out


def oriented(
    points: FloatArray,
    normals: FloatArray,
    neighbours: IndexArray,
    smallest_share: float = 0.01,
    *,
    all_round: bool = False,
    up: FloatArray | None = None,
) -> tuple[FloatArray, float]:
    """Normals turned to point out of the surface.

    Signs are first made to agree within each piece of surface (``signs``); each piece is then turned so that it shows
    its outside to those who can see it from around.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) of arbitrary sign
    neighbours : (n, k) indices, each point's own first
    smallest_share : pieces with a smaller share of the points have no say in how sure it is
    all_round : whether the part was captured from several sides, so that what is seen from around tells of each place
        of it; of one capture the back is seen through what is missing, and only the sum over a piece counts
    up : (3,) out of the table on which one capture was taken, or None: nobody scans from below it, and from there the
        back of what was seen through an opening would be seen

    Returns
    -------
    (n, 3) normals, and how sure the outside is: the smallest share by which the votes agree, 0 to 1, over the pieces.
    Where that is too little, ``up`` decides, and is believed: 1.
    """
    ring = neighbours[:, min(RING, neighbours.shape[1] - 1)]
    spacing = float(np.median(np.linalg.norm(points[ring] - points, axis=1))) * np.sqrt(np.pi / RING)
    at, facing, spacing = columns(points - points.mean(axis=0)), columns(normals), max(spacing, 1e-12)
    votes, cast = _votes(at, facing, spacing, _views(DIRECTIONS, up))
    hidden = np.flatnonzero(cast[neighbours].mean(axis=1) < HARDLY_SEEN * DIRECTIONS)
    if len(hidden):
        votes[hidden], cast[hidden] = _votes(at, facing, spacing, _views(MORE_DIRECTIONS, up), hidden)
    sign, label = agreeing_signs(points, normals, neighbours[:, : LINKS + 1], spacing, votes if all_round else None)
    vote, total, size = np.bincount(label, weights=votes * sign), np.bincount(label, weights=cast), np.bincount(label)
    sign = sign * np.where(vote < 0, -1.0, 1.0)[label]
    normals = normals * sign[:, None]
    agreed = np.abs(vote) / np.maximum(total, 1e-12)
    sure = float(agreed[size >= smallest_share * len(points)].min(initial=1.0))
    if sure < SURE and up is not None:  # what was seen from above faces up more than down
        return normals * (1.0 if float((normals @ up).sum()) >= 0 else -1.0), 1.0
    return normals, sure


def _votes(
    points: Columns, normals: Columns, spacing: float, views: FloatArray, asked: LongArray | slice = slice(None)
) -> tuple[FloatArray, FloatArray]:
    """(k,) sum of the cosines under which each point asked about is seen from around, and of their absolute values.

    A point is seen from a direction when no other lies more than ``spacing`` before it in the same pixel of two
    spacings; so the face of a thin wall hides the other.
    """
    normals = normals[:, asked]
    votes, cast = np.zeros(normals.shape[1]), np.zeros(normals.shape[1])
    # Strays far out share the outermost pixels, so that the picture stays small.
    reach = 2 * float(np.percentile(np.abs(points), 99.5)) + spacing
    pixel = max(2 * spacing, reach / MOST_PIXELS)
    width = int(2 * reach / pixel) + 1
    for view in views:
        across = np.linalg.svd(view[None])[2][1:]
        cell = np.clip((across @ points + reach) / pixel, 0, width - 1).astype(np.int32)
        key = cell[0] * width + cell[1]
        depth = view @ points
        front = np.full(width * width, -np.inf)
        np.maximum.at(front, key, depth)
        cosine = np.where(depth[asked] > front[key[asked]] - spacing, view @ normals, 0.0)
        votes += cosine
        cast += np.abs(cosine)
    return votes, cast


def _views(count: int, up: FloatArray | None) -> FloatArray:
    """Directions all round; where it is known what is up, about as many on that half of the sphere alone."""
    if up is None:
        return directions_around(count)
    views = directions_around(2 * count)
    return views[views @ up > 0]


def _in_plane(
    offset: list[NDArray[np.float32]], normal: Columns, thickness: float, height: NDArray[np.float32] | None = None
) -> NDArray[np.float32]:
    """(n, k) how much each neighbour lies in the plane with a normal (3, n), ``height`` (n,) above the point."""
    off = dot(offset, normal)
    if height is not None:
        off -= height[:, None]
    return np.asarray(np.exp(np.square(off) / np.float32(-(thickness**2))))


def _thinnest(offset: list[NDArray[np.float32]], mass: NDArray[np.float32]) -> Columns:
    """(3, n) direction in which each row's points spread least: smallest eigenvector of their covariance.

    In closed form (Smith 1961 for the eigenvalue, the longest cross product of two rows for the vector).
    """
    mass = mass / np.maximum(mass.sum(axis=1, keepdims=True), np.float32(1e-20))
    mean = [np.einsum("nk,nk->n", mass, component) for component in offset]
    centred = [component - middle[:, None] for component, middle in zip(offset, mean, strict=True)]
    heavy = [component * mass for component in centred]
    xx, xy, xz, yy, yz, zz = (
        np.einsum("nk,nk->n", heavy[i], centred[j]).astype(np.float64)
        for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))
    )
    third = (xx + yy + zz) / 3
    deviation = np.sqrt(((xx - third) ** 2 + (yy - third) ** 2 + (zz - third) ** 2 + 2 * (xy**2 + xz**2 + yz**2)) / 6)
    deviation = np.maximum(deviation, 1e-300)
    a, b, c = (xx - third) / deviation, (yy - third) / deviation, (zz - third) / deviation
    d, e, f = xy / deviation, xz / deviation, yz / deviation
    half = (a * (b * c - f * f) - d * (d * c - f * e) + e * (d * f - b * e)) / 2
    angle = np.arccos(np.clip(half, -1, 1)) / 3
    least = 2 * np.cos(angle + 2 * np.pi / 3)
    lines = np.array([[a - least, d, e], [d, b - least, f], [e, f, c - least]])
    crosses = [np.cross(lines[i], lines[j], axis=0) for i, j in ((0, 1), (1, 2), (2, 0))]
    lengths = np.stack([(vector**2).sum(axis=0) for vector in crosses])
    longest = np.argmax(lengths, axis=0)
    normal = np.choose(longest[None], crosses)
    return np.asarray(normal / np.sqrt(np.maximum(lengths.max(axis=0), 1e-300)), np.float32)
