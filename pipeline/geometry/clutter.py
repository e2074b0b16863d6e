"""The part among what lies around it: pieces, the riser under it, what touches it, and how sure all that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.components import attach_fragments, choose_piece
from pipeline.geometry.gauge import Gauge
from pipeline.geometry.riser import find_riser
from pipeline.geometry.voxels import voxels
from pipeline.part import BoolArray, FloatArray

CELL_IN_SPACINGS = 3.0
CELL_IN_NOISES = 4.0


class Uncertain(StrEnum):
    """What the data cannot decide."""

    RIVAL = "rival"
    SIZE = "size"


@dataclass(frozen=True, eq=False)
class Separation:
    """What was kept for the part.

    Attributes
    ----------
    keep : (n,) bool
    confidence : 0 to 1
    uncertain : what could not be decided
    riser_height : millimetres, 0 when no riser was removed
    grounded : the part itself stands on the support, so that its lowest edge was cut with it
    """

    keep: BoolArray
    confidence: float
    uncertain: tuple[Uncertain, ...]
    riser_height: float
    grounded: bool


def separate(
    points: FloatArray,
    normals: NDArray[np.floating] | None,
    lengths: Gauge,
    support: FloatArray | None,
    *,
    expected_size: Sequence[float] | None = None,
    riser_height: float | None = None,
) -> Separation:
    """Keep the part's points.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) out of the surface, or None
    lengths : spacing and noise of the points
    support : (4,) the plane everything stands on, normal up; None when there is none
    expected_size : edge lengths of the part, millimetres, as declared
    riser_height : height of the riser above the support, millimetres, as declared
    """
    cells = voxels(points, max(CELL_IN_SPACINGS * lengths.spacing, CELL_IN_NOISES * lengths.noise))
    height, plan = None, cells.centre
    usable = np.ones(len(cells), bool)
    if support is not None:
        height = cells.centre @ support[:3] + support[3]
        plan = cells.centre @ np.linalg.svd(support[None, :3])[2][1:].T
        if riser_height is not None:
            usable = height > riser_height
    _, label = cells.components(usable)
    if not usable.any():
        usable[:] = True
        _, label = cells.components(usable)
    choice = choose_piece(cells, label, height, plan, expected_size)
    chosen = choice.cells
    found_height, grounded = 0.0, False
    keep_points = np.ones(len(points), bool)
    if height is not None and support is not None:
        floor = 4.0 * cells.cell
        grounded = bool(height[chosen].min() < floor)
        own = chosen[cells.of_point]
        if riser_height is not None:
            keep_points = points @ support[:3] + support[3] > riser_height
            found_height, grounded = riser_height, riser_height == 0.0
        elif grounded:
            at = points[own] @ support[:3] + support[3]
            riser = find_riser(points[own] @ np.linalg.svd(support[None, :3])[2][1:].T, at, cells.cell)
            if riser is not None:
                found_height, grounded = riser.top, False
                keep_points[np.flatnonzero(own)[at < riser.top]] = False
                chosen = chosen & (height > riser.top - cells.cell)
        chosen = attach_fragments(cells, label, chosen, height, 8.0 * cells.cell, floor)
    keep = chosen[cells.of_point] & keep_points
    near = choice.rival_gap < 20.0 * cells.cell
    confidence = 1.0 - choice.rival if not near else 1.0 - min(1.0, 1.5 * choice.rival)
    uncertain = []
    if choice.rival > 0.4:
        uncertain.append(Uncertain.RIVAL)
    if expected_size is not None and not _size_fits(points[keep], expected_size):
        uncertain.append(Uncertain.SIZE)
        confidence *= 0.5
    return Separation(keep, max(confidence, 0.0), tuple(uncertain), found_height, grounded)


def _size_fits(points: FloatArray, expected: Sequence[float]) -> bool:
    if len(points) < 4:
        return False
    found = np.sort(np.ptp(points @ np.linalg.eigh(np.cov(points.T))[1], axis=0))[::-1]
    largest = max(expected)
    return bool(0.6 * largest < found[0] < 1.4 * float(np.linalg.norm(expected)))
