"""Which of the pieces of a scene is the part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.voxels import Voxels
from pipeline.part import BoolArray, FloatArray, IndexArray


@dataclass(frozen=True, eq=False)
class Choice:
    """The piece taken for the part, and how sure that is.

    Attributes
    ----------
    cells : (m,) bool, the cells of the part
    rival : evidence of the next best piece over that of the chosen, 0 to 1
    rival_gap : distance from the chosen piece to that rival, millimetres; infinite when there is none
    """

    cells: BoolArray
    rival: float
    rival_gap: float


def choose_piece(
    cells: Voxels, label: IndexArray, height: FloatArray | None, plan: FloatArray, expected_size: Sequence[float] | None
) -> Choice:
    """The piece that stands above, in the middle, and compact.

    Parameters
    ----------
    label : (m,) piece of each cell, -1 for none
    height : (m,) above the support, or None when there is none
    plan : (m, 2) seen along the support's normal; (m, 3) without support
    expected_size : edge lengths of the part as the ticket declares them, or None
    """
    used = np.flatnonzero(label >= 0)
    pieces = int(label.max()) + 1
    middle = np.median(plan[used], axis=0)
    away = np.linalg.norm(plan[used] - middle, axis=1)
    scene = max(float(np.percentile(away, 90)), cells.cell)
    evidence = np.exp(-((away / (0.6 * scene)) ** 2))
    if height is not None:
        evidence = evidence * np.sqrt(np.clip(height[used] / max(np.percentile(height[used], 99), cells.cell), 0, 1))
    score = np.bincount(label[used], weights=evidence, minlength=pieces)
    if expected_size is not None:
        score *= _size_agreement(cells.centre, label, pieces, expected_size)
    best = int(np.argmax(score))
    chosen = label == best
    others = score.copy()
    others[best] = -1.0
    rival = int(np.argmax(others))
    if others[rival] <= 0.0:
        return Choice(chosen, 0.0, np.inf)
    gap = cKDTree(cells.centre[chosen]).query(cells.centre[label == rival])[0].min()
    return Choice(chosen, float(score[rival] / score[best]), float(gap))


def attach_fragments(
    cells: Voxels, label: IndexArray, chosen: BoolArray, height: FloatArray | None, reach: float, grounded: float
) -> BoolArray:
    """The chosen cells and the small pieces that belong to them: surface torn off by a shadow.

    A piece is attached when all of it lies near the part, and it does not stand on the support while the part
    floats.

    Parameters
    ----------
    reach : how far a fragment may lie from the part, millimetres
    grounded : height below which a cell stands on the support, millimetres
    """
    rest = (label >= 0) & ~chosen
    if not rest.any():
        return chosen
    floats = height is not None and height[chosen].min() > grounded
    distance = np.full(len(cells), np.inf)
    distance[rest] = cKDTree(cells.centre[chosen]).query(cells.centre[rest], distance_upper_bound=4.0 * reach)[0]
    pieces = int(label.max()) + 1
    nearest, furthest = np.full(pieces, np.inf), np.zeros(pieces)
    np.minimum.at(nearest, label[rest], distance[rest])
    np.maximum.at(furthest, label[rest], distance[rest])
    size = np.bincount(label[rest], minlength=pieces)
    belongs = (nearest < reach) & (furthest < 4.0 * reach) & (size < 0.1 * chosen.sum())
    if height is not None:
        lowest = np.full(pieces, np.inf)
        np.minimum.at(lowest, label[rest], height[rest])
        belongs &= (lowest > grounded) | (not floats)
        belongs &= lowest >= height[chosen].min() - cells.cell
    return chosen | (rest & belongs[np.maximum(label, 0)])


def _size_agreement(centre: FloatArray, label: IndexArray, pieces: int, expected: Sequence[float]) -> FloatArray:
    """(pieces,) 1 where a piece is as large as declared, falling towards 0 when twice or half as large."""
    wanted = np.linalg.norm(expected) if len(expected) > 1 else float(expected[0])
    out = np.zeros(pieces)
    for piece in range(pieces):
        own = centre[label == piece]
        if len(own) < 4:
            continue
        found = np.linalg.norm(np.ptp(own, axis=0))
        longest = np.linalg.norm(np.ptp(own @ np.linalg.eigh(np.cov(own.T))[1], axis=0))
        ratio = np.log2((longest if len(expected) > 1 else min(longest, found)) / wanted)
        out[piece] = np.exp(-(ratio**2) * 2.0)
    return out
