"""Two meshes with a narrow gap between them joined along it.

Each border of the one runs along a border of the other; between two such loops lies a strip of triangles, laid so that
every next one has the shorter of the two possible diagonals (greedy, after Christiansen and Sederberg, "Conversion of
complex contour line definitions into polygonal element mosaics", 1978; cited from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.boundary import boundary_loops
from pipeline.part import FloatArray, IndexArray


def seam(vertices: FloatArray, one: IndexArray, other: IndexArray, widest: float) -> IndexArray | None:
    """Triangles that close the gap between two meshes.

    Parameters
    ----------
    vertices : (n, 3), of both
    one, other : (m, 3) faces; neither uses a vertex of the other
    widest : longest edge that the strip may have, millimetres

    Returns
    -------
    (s, 3) faces that close every border of the first mesh, and borders of the other that run along them; None where
    they do not run along one another.
    """
    ours, theirs = boundary_loops(one), boundary_loops(other)
    partner = _partners(vertices, ours, theirs)
    if partner is None:
        return None
    strips = [_strip(vertices, loop, theirs[j][::-1], widest) for loop, j in zip(ours, partner, strict=True)]
    whole = [strip for strip in strips if strip is not None]
    if len(whole) < len(strips):
        return None
    return np.concatenate(whole) if whole else np.zeros((0, 3), np.int32)


def _partners(vertices: FloatArray, ours: Sequence[IndexArray], theirs: Sequence[IndexArray]) -> list[int] | None:
    """Which of their loops runs along each of ours; None where one does along two, or none."""
    if not ours:
        return []
    if len(theirs) < len(ours):
        return None
    owner = np.repeat(np.arange(len(theirs)), [len(loop) for loop in theirs])
    tree = cKDTree(vertices[np.concatenate(theirs)])
    nearest = [np.bincount(owner[tree.query(vertices[loop])[1]], minlength=len(theirs)) for loop in ours]
    partner = [int(votes.argmax()) for votes in nearest]
    return partner if len(set(partner)) == len(ours) else None


def _strip(vertices: FloatArray, one: IndexArray, other: IndexArray, widest: float) -> IndexArray | None:
    """Triangles between two loops that run the same way, the first along its own faces, the second against them."""
    distance, nearest = cKDTree(vertices[other]).query(vertices[one])
    start = int(distance.argmin())
    one, other = np.roll(one, -start), np.roll(other, -int(nearest[start]))
    a, b = vertices[np.append(one, one[0])], vertices[np.append(other, other[0])]
    i = j = 0
    faces = []
    while i < len(one) or j < len(other):
        onward = np.linalg.norm(a[i + 1] - b[j]) if i < len(one) else np.inf
        across = np.linalg.norm(a[i] - b[j + 1]) if j < len(other) else np.inf
        if min(onward, across) > widest:
            return None
        here, there = one[i % len(one)], other[j % len(other)]
        if onward <= across:
            i += 1
            faces.append((one[i % len(one)], here, there))
        else:
            j += 1
            faces.append((there, other[j % len(other)], here))
    return np.array(faces, np.int32)
