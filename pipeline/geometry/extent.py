"""How large a thing is, whichever way it lies."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.native import open3d
from pipeline.part import FloatArray

SAMPLE = 20_000


def oriented_extents(points: FloatArray) -> FloatArray:
    """Sides of the smallest box around the points, in any orientation.

    Parameters
    ----------
    points : (n, 3), millimetres; a sample of 20,000 is used when there are more

    Returns
    -------
    (3,) largest first, millimetres. A flat or straight set of points has zero extents.
    """
    sample = points[:: max(1, len(points) // SAMPLE)]
    centred = sample - sample.mean(axis=0)
    _, spread, axes = np.linalg.svd(centred, full_matrices=False)
    principal = np.sort(np.ptp(centred @ axes.T, axis=0))[::-1]
    if len(sample) < 4 or spread[-1] <= 1e-9 * max(spread[0], 1e-300):
        return np.asarray(principal, np.float64)
    o3d = open3d()
    box = o3d.geometry.OrientedBoundingBox.create_from_points_minimal(o3d.utility.Vector3dVector(centred), robust=True)
    smallest = np.sort(np.asarray(box.extent, np.float64))[::-1]
    return smallest if np.prod(smallest) < np.prod(principal) else np.asarray(principal, np.float64)
