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
    """Sides of the smallest box found around the points, in any orientation; see ``boxes_around``.

    Returns
    -------
    (3,) largest first, millimetres. A flat or straight set of points has zero extents.
    """
    boxes = boxes_around(points)
    smallest: FloatArray = boxes[np.argmin(boxes.prod(axis=1))]
    return smallest


def boxes_around(points: FloatArray) -> FloatArray:
    """Sides of the boxes by which somebody might measure a thing.

    Boxes with a side on one of the largest facets of the convex hull, turned in steps of 3 degrees, and the box
    along the principal axes; a hand-measured size is no finer than that. Of a thing that leans, the box in which it
    stands is not the smallest one.

    Parameters
    ----------
    points : (n, 3), millimetres; a sample is used when there are many

    Returns
    -------
    (k, 3) each largest side first, millimetres.
    """
    sample = points[:: max(1, len(points) // SAMPLE)]
    centred = sample - sample.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    boxes = [np.ptp(centred @ axes.T, axis=0)[None]]
    try:
        hull = ConvexHull(centred)
    except (QhullError, ValueError):
        return np.sort(boxes[0], axis=1)[:, ::-1]
    corners = centred[hull.vertices[:: max(1, len(hull.vertices) // CORNERS)]]
    sides = centred[hull.simplices]
    area = np.linalg.norm(np.cross(sides[:, 1] - sides[:, 0], sides[:, 2] - sides[:, 0]), axis=1)
    turns = np.radians(TURNS_DEG)
    for normal in hull.equations[np.argsort(-area, kind="stable")[:FACETS], :3]:
        across = np.linalg.svd(normal[None])[2][1:]
        flat = corners @ across.T
        u = np.cos(turns)[:, None] * flat[:, 0] + np.sin(turns)[:, None] * flat[:, 1]
        v = np.cos(turns)[:, None] * flat[:, 1] - np.sin(turns)[:, None] * flat[:, 0]
        height = np.full(len(turns), np.ptp(corners @ normal))
        boxes.append(np.column_stack([height, np.ptp(u, axis=1), np.ptp(v, axis=1)]))
    return np.sort(np.concatenate(boxes), axis=1)[:, ::-1]
