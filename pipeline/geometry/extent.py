"""How large a thing is, whichever way it lies."""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from pipeline.part import FloatArray

SAMPLE = 5_000
CORNERS = 400
FACETS = 100
TURNS_DEG = np.arange(0.0, 90.0, 3.0)


def oriented_extents(points: FloatArray) -> FloatArray:
    """Sides of the smallest box found around the points, in any orientation.

    Boxes with a side on one of the largest facets of the convex hull, turned in steps of 3 degrees, and the box
    along the principal axes; a hand-measured size is no finer than that.

    Parameters
    ----------
    points : (n, 3), millimetres; a sample is used when there are many

    Returns
    -------
    (3,) largest first, millimetres. A flat or straight set of points has zero extents.
    """
    sample = points[:: max(1, len(points) // SAMPLE)]
    centred = sample - sample.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    best: FloatArray = np.ptp(centred @ axes.T, axis=0)
    try:
        hull = ConvexHull(centred)
    except (QhullError, ValueError):
        return np.sort(best)[::-1]
    corners = centred[hull.vertices[:: max(1, len(hull.vertices) // CORNERS)]]
    sides = centred[hull.simplices]
    area = np.linalg.norm(np.cross(sides[:, 1] - sides[:, 0], sides[:, 2] - sides[:, 0]), axis=1)
    turns = np.radians(TURNS_DEG)
    for normal in hull.equations[np.argsort(-area, kind="stable")[:FACETS], :3]:
        across = np.linalg.svd(normal[None])[2][1:]
        flat = corners @ across.T
        u = np.cos(turns)[:, None] * flat[:, 0] + np.sin(turns)[:, None] * flat[:, 1]
        v = np.cos(turns)[:, None] * flat[:, 1] - np.sin(turns)[:, None] * flat[:, 0]
        wide, long = np.ptp(u, axis=1), np.ptp(v, axis=1)
        turn = int(np.argmin(wide * long))
        box = np.array([np.ptp(corners @ normal), wide[turn], long[turn]])
        if np.prod(box) < np.prod(best):
            best = box
    return np.sort(best)[::-1]
