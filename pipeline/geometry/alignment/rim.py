"""Where a scanned surface ends although the part may go on.

A sample lies on the rim when its neighbours leave a wide sector of its tangent plane empty (the angle criterion for
boundary points: Bendels, Schnabel and Klein, "Detecting holes in point set surfaces", 2006). Sharp edges are no rim:
the neighbours beyond the edge fill the sector.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.part import FloatArray

NEIGHBOURS = 20
REACH_CELLS = 2.8
GAP_DEG = 115.0
"""Even samples of a closed surface leave hardly any gap wider than this; a straight border leaves half a turn."""
SPREAD_CELLS = 1.5
"""Samples this close to the rim count as rim too."""


def rim(points: FloatArray, normals: FloatArray, tree: cKDTree, cell: float) -> NDArray[np.bool_]:
    """(n,) True on the rim of even samples (n, 3), ``cell`` apart, ``tree`` over them."""
    reach = REACH_CELLS * cell
    distance, index = tree.query(points, k=min(NEIGHBOURS, len(points)), distance_upper_bound=reach, workers=-1)
    has = np.isfinite(distance)
    has[:, 0] = False
    index = np.where(has, index, 0)
    has &= np.einsum("nki,ni->nk", normals[index], normals) > -0.2  # not the other face of a thin wall
    across = np.cross(normals, np.eye(3)[np.argmin(np.abs(normals), axis=1)])
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    third = np.cross(normals, across)
    offset = points[index] - points[:, None]
    angle = np.arctan2(np.einsum("nki,ni->nk", offset, third), np.einsum("nki,ni->nk", offset, across))
    on_rim = _widest_gap(angle, has) > np.deg2rad(GAP_DEG)
    if not on_rim.any():
        return np.asarray(on_rim, np.bool_)
    near, _ = cKDTree(points[on_rim]).query(points, distance_upper_bound=SPREAD_CELLS * cell, workers=-1)
    return np.asarray(np.isfinite(near), np.bool_)


def _widest_gap(angle: FloatArray, has: NDArray[np.bool_]) -> FloatArray:
    """(n,) widest empty sector between directions (n, k) that count, radians; a whole turn where fewer than two do."""
    count = has.sum(axis=1)
    first = np.where(has, angle, np.inf).min(axis=1)
    closing = np.where(count > 1, first + 2 * np.pi, np.inf)  # after the last direction comes the first again
    ordered = np.sort(np.where(has, angle, closing[:, None]), axis=1)
    ordered = np.hstack([ordered, closing[:, None]])
    return np.where(count > 1, np.diff(np.where(np.isfinite(ordered), ordered, 0.0), axis=1).max(axis=1), 2 * np.pi)
