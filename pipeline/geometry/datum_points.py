"""A datum from points that a person chose: 3-2-1 alignment (common practice, no source)."""

from __future__ import annotations

import numpy as np

from pipeline.part import FloatArray

LEAST_SPREAD = 1e-3
"""Points closer to a line than this share of their distance fix no plane."""


def datum_from_points(points: FloatArray) -> FloatArray | None:
    """The rigid motion that lays chosen points into the axes.

    Three points: the plane through them becomes z = 0, with z on the side from which they run counter-clockwise; the
    line from the first to the second becomes the x axis, the first point the origin.

    Six points (3-2-1): the first three give the plane as above; the line through the fourth and fifth, seen along z,
    becomes the x axis; the sixth lies at x = 0.

    Parameters
    ----------
    points : (3, 3) or (6, 3), millimetres

    Returns
    -------
    (4, 4) datum_from_part, or None when the points lie (nearly) in a line or on one another.
    """
    a, b, c = points[:3]
    z = np.cross(b - a, c - a)
    size = max(float(np.linalg.norm(b - a)), float(np.linalg.norm(c - a)))
    if np.linalg.norm(z) <= LEAST_SPREAD * size**2:
        return None
    z /= np.linalg.norm(z)
    start, end, origin = (a, b, a) if len(points) == 3 else points[3:]
    x = (end - start) - ((end - start) @ z) * z
    if np.linalg.norm(x) <= LEAST_SPREAD * max(float(np.linalg.norm(end - start)), np.finfo(float).tiny):
        return None
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    turn = np.stack([x, y, z])
    motion = np.eye(4)
    motion[:3, :3] = turn
    motion[:3, 3] = -np.array([x @ origin, y @ start, z @ a])
    return motion
