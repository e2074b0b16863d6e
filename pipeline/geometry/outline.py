"""Outlines of what was seen in a plan: their corners, and the middle of what lies within."""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from pipeline.part import FloatArray

CELLS_ACROSS = 40
FEWEST_IN_CELL = 3


def middle_of(corners: FloatArray) -> FloatArray:
    """(2,) centroid of the area within an outline with corners (k, 2), in order; their mean where there is none."""
    after, area = np.roll(corners, -1, axis=0), _from_origin(corners)
    total = float(area.sum())
    middle: FloatArray = (
        ((corners + after) * area[:, None]).sum(axis=0) / (3.0 * total) if total else corners.mean(axis=0)
    )
    return middle


def signed_area(corners: FloatArray) -> float:
    """Area within an outline with corners (k, 2), in order; negative where they run clockwise."""
    return float(_from_origin(corners).sum()) / 2


def _from_origin(corners: FloatArray) -> FloatArray:
    """(k,) twice the signed areas of the triangles between the origin and each side."""
    after = np.roll(corners, -1, axis=0)
    areas: FloatArray = corners[:, 0] * after[:, 1] - corners[:, 1] * after[:, 0]
    return areas


def outline_of(points: FloatArray, normal: FloatArray) -> FloatArray | None:
    """(k, 3) corners of the convex outline of points (n, 3) seen along a normal; None when they span no area.

    Single points far out do not count: only where a few lie together something was seen.
    """
    if len(points) < FEWEST_IN_CELL:
        return None
    plan = points @ np.linalg.svd(normal[None, :])[2][1:].T
    low = plan.min(axis=0)
    cell = max(float(np.ptp(plan, axis=0).max()) / CELLS_ACROSS, np.finfo(float).tiny)
    at = ((plan - low) / cell).astype(np.int64)
    _, first, count = np.unique(at[:, 0] * (CELLS_ACROSS + 2) + at[:, 1], return_index=True, return_counts=True)
    used = first[count >= FEWEST_IN_CELL]
    try:
        return np.asarray(points[used[ConvexHull(plan[used]).vertices]])
    except (QhullError, ValueError):
        return None
