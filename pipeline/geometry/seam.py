"""Two meshes with a narrow gap between them joined along it.

Each border of the one runs along a border of the other; between two such loops lies a strip of triangles. Of all
strips the one whose edges across the gap are shortest is taken: a shortest way through the table of both loops'
vertices (Fuchs, Kedem and Uselton, "Optimal surface reconstruction from planar contours", 1977; cited from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.boundary import boundary_loops
from pipeline.part import BoolArray, FloatArray, IndexArray


@dataclass(frozen=True, slots=True, eq=False)
class Seam:
    """The gap's triangles, and how much of it they leave open.

    Attributes
    ----------
    faces : (s, 3)
    open_share : 0 to 1, of the triangles that the whole gap would take
    """

    faces: IndexArray
    open_share: float


def seam(vertices: FloatArray, one: IndexArray, other: IndexArray, widest: float) -> Seam:
    """Triangles that close the gap between two meshes, where it is narrow.

    Parameters
    ----------
    vertices : (n, 3), of both
    one, other : (m, 3) faces; neither uses a vertex of the other
    widest : longest edge that the strip may have, millimetres

    Returns
    -------
    Faces along the borders of the first mesh and borders of the other that run along them. What is left open are
    borders of the first along which none of the other runs, and places where the gap is wide; borders of the other
    that run along nothing do not count.
    """
    ours, theirs = boundary_loops(one), boundary_loops(other)
    partner = _partners(vertices, ours, theirs)
    strips = [_strip(vertices, ours[i], theirs[j][::-1]) for i, j in partner.items()]
    whole = np.concatenate([np.zeros((0, 3), np.int32), *strips])
    narrow = _narrow(vertices, whole, widest)
    alone = sum(len(loop) for i, loop in enumerate(ours) if i not in partner)
    left = alone + np.count_nonzero(~narrow)
    return Seam(whole[narrow], left / max(1, alone + len(whole)))


def _partners(vertices: FloatArray, ours: Sequence[IndexArray], theirs: Sequence[IndexArray]) -> dict[int, int]:
    """Which of their loops runs along which of ours; the longest first, where two run along the same."""
    if not theirs:
        return {}
    owner = np.repeat(np.arange(len(theirs)), [len(loop) for loop in theirs])
    tree = cKDTree(vertices[np.concatenate(theirs)])
    partner: dict[int, int] = {}
    for number, loop in enumerate(ours):
        votes = np.bincount(owner[tree.query(vertices[loop])[1]], minlength=len(theirs))
        if int(votes.argmax()) not in partner.values():
            partner[number] = int(votes.argmax())
    return partner


def _strip(vertices: FloatArray, one: IndexArray, other: IndexArray) -> IndexArray:
    """Triangles between two loops that run the same way, the first along its own faces, the second against them."""
    distance, nearest = cKDTree(vertices[other]).query(vertices[one])
    start = int(distance.argmin())
    one, other = np.roll(one, -start), np.roll(other, -int(nearest[start]))
    one, other = np.append(one, one[0]), np.append(other, other[0])
    along_one = _shortest(vertices[one], vertices[other])
    i, j = np.cumsum(along_one), np.cumsum(~along_one)
    faces = np.where(
        along_one[:, None],
        np.column_stack([one[i], one[i - 1], other[j]]),
        np.column_stack([other[j - 1], other[j], one[i]]),
    )
    return faces.astype(np.int32)


def _shortest(one: FloatArray, other: FloatArray) -> BoolArray:
    """(n + m - 2,) whether each step from the first vertices (n, 3) and (m, 3) to the last is one along the first.

    A step's cost is the square of the edge across the gap at which it ends. The table is worked through along its
    falling diagonals, on each of which no place depends on another.
    """
    n, m = len(one), len(other)
    steps = []
    before = np.zeros(1)  # cost of the places (i, d - i) of a diagonal d, by i from ``low``
    low_before = 0
    for diagonal in range(1, n + m - 1):
        low, high = max(0, diagonal - m + 1), min(diagonal, n - 1)
        i = np.arange(low, high + 1)
        padded = np.concatenate([[np.inf, np.inf], before, [np.inf, np.inf]])
        by_one, by_other = padded[i - low_before + 1], padded[i - low_before + 2]  # from (i - 1, j), from (i, j - 1)
        steps.append((low, by_one <= by_other))
        across = one[i] - other[diagonal - i]
        before, low_before = np.minimum(by_one, by_other) + np.einsum("ni,ni->n", across, across), low
    along_one = np.zeros(len(steps), bool)
    at = n - 1
    for number in range(len(steps) - 1, -1, -1):
        low, choice = steps[number]
        along_one[number] = choice[at - low]
        at -= int(along_one[number])
    return along_one


def _narrow(vertices: FloatArray, faces: IndexArray, widest: float) -> BoolArray:
    """(s,) whether all sides of a face are short enough."""
    sides = vertices[faces] - vertices[faces[:, (1, 2, 0)]]
    narrow: BoolArray = (np.linalg.norm(sides, axis=2) <= widest).all(axis=1)
    return narrow
