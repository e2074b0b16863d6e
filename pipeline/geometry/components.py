"""Which of the pieces of a scene is the part, and which of the others are torn off it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError, cKDTree

from pipeline.geometry.voxels import Voxels
from pipeline.part import BoolArray, FloatArray, IndexArray

MOST_RIVAL = 0.5
"""Evidence of another piece, over that of the one chosen, from which on either may be the part."""


@dataclass(frozen=True, eq=False)
class Choice:
    """The piece taken for the part, and how sure that is.

    Attributes
    ----------
    cells : (m,) bool, the cells of the part
    rival : evidence of the next best piece over that of the chosen, 0 to 1
    next : (m,) bool, the cells of that next best piece
    """

    cells: BoolArray
    rival: float
    next: BoolArray

    def in_doubt(self, kept: BoolArray) -> bool:
        """Whether the next best piece may as well be the part, and was not found to belong to it."""
        return self.rival > MOST_RIVAL and not (self.next.any() and kept[self.next].mean() > 0.5)


def choose_piece(
    cells: Voxels,
    label: IndexArray,
    height: FloatArray | None,
    plan: FloatArray,
    expected_size: Sequence[float] | None = None,
    middle: FloatArray | None = None,
) -> Choice:
    """The piece that stands above, in the middle, and compact.

    Parameters
    ----------
    label : (m,) piece of each cell, -1 for none
    height : (m,) above the support, or None when there is none
    plan : (m, 2) seen along the support's normal; (m, 3) without support
    expected_size : edge lengths of the part as the ticket declares them, or None
    middle : (2,) of the scene, where it is known
    """
    used = np.flatnonzero(label >= 0)
    pieces = int(label.max()) + 1
    middle = np.median(plan[used], axis=0) if middle is None else middle
    away = np.linalg.norm(plan[used] - middle, axis=1)
    scene = max(float(np.percentile(away, 90)), cells.cell)
    evidence = np.exp(-((away / (0.6 * scene)) ** 2))
    if height is not None:
        evidence = evidence * np.clip(height[used] / max(float(np.percentile(height[used], 99)), cells.cell), 0, 1)
    score: FloatArray = np.bincount(label[used], weights=evidence, minlength=pieces).astype(np.float64, copy=False)
    if expected_size is not None:
        score = score * _size_agreement(cells.centre, label, pieces, expected_size)
    best = int(np.argmax(score))
    if score[best] <= 0.0:
        return Choice(label == best, 1.0, np.zeros(len(label), bool))
    others = score.copy()
    others[best] = 0.0
    rival = int(np.argmax(others))
    return Choice(label == best, float(min(others[rival] / score[best], 1.0)), (label == rival) & (others[rival] > 0.0))


def attach_fragments(
    cells: Voxels, label: IndexArray, chosen: BoolArray, allowed: BoolArray, plan: FloatArray, reach: float
) -> BoolArray:
    """The chosen cells and the pieces that belong to them: surface torn off by a shadow.

    Parameters
    ----------
    allowed : (m,) cells of pieces that may be the part's at all
    plan : (m, 2) seen along the support's normal; (m, 3) without support
    reach : how far a fragment may lie from the part, millimetres
    """
    rest = (label >= 0) & ~chosen
    if not rest.any():
        return chosen
    pieces = int(label.max()) + 1
    size = np.bincount(label[rest], minlength=pieces)
    fits = np.bincount(label[rest & allowed], minlength=pieces) >= 0.9 * size
    rest &= fits[np.maximum(label, 0)]
    tree = cKDTree(cells.centre[chosen], balanced_tree=False, compact_nodes=False)
    distance = np.asarray(tree.query(cells.centre[rest], distance_upper_bound=3.0 * reach)[0])
    nearest = np.full(pieces, np.inf)
    np.minimum.at(nearest, label[rest], distance)
    close = nearest[label[rest]] < reach
    rest[rest] = close
    near = np.bincount(label[rest], weights=np.isfinite(distance[close]), minlength=pieces)
    covered = np.bincount(label[rest], weights=inside_hull(plan[chosen], plan[rest]), minlength=pieces)
    beside = (near >= 0.9 * size) & (size < 0.1 * chosen.sum())
    belongs = (beside | (covered >= 0.7 * size)) & (size > 0)
    attached: BoolArray = chosen | (rest & belongs[np.maximum(label, 0)])
    return attached


def inside_hull(outline: FloatArray, points: FloatArray) -> BoolArray:
    """(n,) points inside the convex hull of others."""
    try:
        hull = ConvexHull(outline)
    except (QhullError, ValueError):
        return np.zeros(len(points), bool)
    inside: BoolArray = (points @ hull.equations[:, :-1].T + hull.equations[:, -1] <= 0.0).all(axis=1)
    return inside


def _size_agreement(centre: FloatArray, label: IndexArray, pieces: int, expected: Sequence[float]) -> FloatArray:
    """(pieces,) 1 where a piece is as large as declared, falling towards 0 when twice or half as large."""
    wanted = float(np.linalg.norm(expected))
    out = np.full(pieces, 1e-3)
    size = np.bincount(label[label >= 0], minlength=pieces)
    for piece in np.flatnonzero(size >= max(8, 0.01 * size.max())):
        found = np.ptp(in_own_axes(centre[label == piece]), axis=0)
        length = float(np.linalg.norm(found)) if len(expected) > 1 else float(found.max())
        out[piece] = max(float(np.exp(-2.0 * np.log2(max(length, 1e-9) / wanted) ** 2)), 1e-3)
    return out


def in_own_axes(points: FloatArray) -> FloatArray:
    """Points (n, 3) about their mean, along their principal axes, the longest last."""
    centred = points - points.mean(axis=0)
    turned: FloatArray = centred @ np.linalg.eigh(centred.T @ centred)[1]
    return turned
