"""Closing a hole with triangles between the vertices of its rim.

Minimum-weight triangulation by dynamic programming (Barequet & Sharir 1995) with the weight of Liepa 2003:
first the sharpest angle between neighbouring faces, then the area.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import as_strided

from pipeline.geometry.vectors import cross_by_axis, dot
from pipeline.part import BoolArray, FloatArray, IndexArray

LARGE = 200
"""Rims of more vertices are triangulated on every k-th vertex first; the pieces left over follow."""
SAME_ANGLE = 0.05
"""Step of 1 - cos(angle) within which angles count as equal and the smaller area wins."""


def triangulate_hole(
    rim: FloatArray, beside: FloatArray, taken: BoolArray | None = None, *, by_area: bool = False
) -> IndexArray | None:
    """Triangles that close a polygon in space, without new vertices.

    Parameters
    ----------
    rim : (n, 3) corners in the order in which the patch runs along them (against the faces around it)
    beside : (n, 3) unit normal of the face beyond the side from corner i to corner i + 1; zero where unknown
    taken : (n, n) True where the mesh has an edge between two corners already, other than the sides
    by_area : the smallest area whatever the angles: flatter, and less likely to pass through itself

    Returns
    -------
    (n - 2, 3) corners, oriented like the surface around; None when every closing needs an edge that is taken.
    """
    count = len(rim)
    taken = np.zeros((count, count), bool) if taken is None else taken
    if count < 3:
        return None
    if count <= LARGE:
        return _triangulate(rim, beside, taken, by_area)
    chosen = np.unique(np.linspace(0, count, LARGE, endpoint=False).astype(int))
    pieces = []
    sides = np.zeros((len(chosen), 3))
    for number, start in enumerate(chosen):
        end = chosen[(number + 1) % len(chosen)]
        chain = np.arange(start, end + 1) if end > start else np.append(np.arange(start, count), end)
        if len(chain) == 2:
            sides[number] = beside[start]
            continue
        known = np.vstack([beside[chain[:-1]], np.zeros(3)])
        piece = triangulate_hole(rim[chain], known, taken[np.ix_(chain, chain)], by_area=by_area)
        if piece is None:
            return None
        pieces.append(chain[piece])
    middle = _triangulate(rim[chosen], sides, taken[np.ix_(chosen, chosen)], by_area)
    return None if middle is None else np.concatenate([*pieces, chosen[middle]]).astype(np.int32)


def _triangulate(rim: FloatArray, beside: FloatArray, taken: BoolArray, by_area: bool) -> IndexArray | None:
    """Best triangulation of each run of corners i..k, from short runs to the whole polygon.

    What is known of a run, its sharpest angle, its area and its normal, is written down twice: by its first corner and
    its length, and by its last corner and its length. So whatever runs of one length are made of is a slice.
    """
    count = len(rim)
    corners = np.ascontiguousarray(rim.T)
    by_first, by_last = np.zeros((2, 5, count, count))
    by_first[2:, :-1, 1] = by_last[2:, 1:, 1] = beside[:-1].T
    apex = np.zeros((count, count), np.int32)
    for span in range(2, count):
        runs = np.arange(count - span)
        begin, end = corners[:, : len(runs), None], corners[:, span:, None]
        middle = as_strided(corners[:, 1:], (3, len(runs), span - 1), corners.strides + corners.strides[1:])
        one, other = by_first[:, : len(runs), 1:span], by_last[:, span:, span - 1 : 0 : -1]
        across = cross_by_axis(middle - begin, end - begin)
        size = np.sqrt(dot(across, across))
        area = one[1] + other[1] + size / 2
        blocked = taken[runs, runs + span] if span < count - 1 else np.zeros(1, bool)
        if by_area:
            best = area.argmin(axis=1)
        else:
            unit = across / np.maximum(size, np.finfo(float).tiny)
            angle = np.maximum(one[0], other[0])
            for normal in (one[2:], other[2:]):
                angle = np.maximum(angle, _bend(unit, normal))
            if span == count - 1:
                angle = np.maximum(angle, _bend(unit, beside[-1][:, None, None]))
            angle = np.where(size > 0, angle, 2.0)
            rank = np.round(angle / SAME_ANGLE)
            best = np.where(rank == rank.min(axis=1, keepdims=True), area, np.inf).argmin(axis=1)
            turned = np.vstack([angle[runs, best][None], unit[:, runs, best]])
            by_first[(0, 2, 3, 4), : len(runs), span] = by_last[(0, 2, 3, 4), span:, span] = turned
        apex[runs, runs + span] = runs + 1 + best
        by_first[1, : len(runs), span] = by_last[1, span:, span] = np.where(blocked, np.inf, area[runs, best])
    if not np.isfinite(by_first[1, 0, count - 1]):
        return None
    return _collect(apex)


def _bend(one: FloatArray, other: FloatArray) -> FloatArray:
    """1 - cos of the angle between unit normals (3, ...); 1 where the other is unknown (zero)."""
    bend: FloatArray = 1 - dot(one, other)
    return bend


def _collect(apex: IndexArray) -> IndexArray:
    todo, faces = [(0, len(apex) - 1)], []
    while todo:
        begin, end = todo.pop()
        if end - begin < 2:
            continue
        middle = int(apex[begin, end])
        faces.append((begin, middle, end))
        todo += [(begin, middle), (middle, end)]
    return np.array(faces, np.int32)
