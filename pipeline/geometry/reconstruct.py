"""From oriented points to a signed distance that exists only near them."""

from __future__ import annotations

from itertools import product

import numpy as np

from pipeline.geometry.sparse_grid import STEP, Field, found, merged, packed, unpacked
from pipeline.part import FloatArray

LEAST_SHARE = 1e-3
"""A node that less of a point than this reaches knows nothing of the surface."""


def distance_field(points: FloatArray, normals: FloatArray, cell: float) -> Field:
    """Blend of the points' tangent planes (implicit moving least squares, Kolluri 2005) on a sparse grid.

    ``f(x) = sum w n.(x - p) / sum w``. The sums over w, w n and w n.p are spread to the eight nodes around each
    point and then blurred with 1-2-1 along each axis, so the kernel has a compact support of two cells: it
    never reaches over a wall two cells thick, and where no point is near there is no field and no surface.

    Parameters
    ----------
    points, normals : (n, 3), millimetres; unit vectors outwards
    cell : edge length of a grid cell, millimetres
    """
    origin = points.min(axis=0)
    grid = (points - origin) / cell
    base = np.floor(grid)
    fraction = np.ascontiguousarray((grid - base).T)
    parts = (1 - fraction, fraction)
    corner_keys = packed(base.astype(np.int64))
    bases = merged([corner_keys])
    of_point = np.searchsorted(bases, corner_keys)
    keys = merged([bases + x * STEP[0] + y * STEP[1] + z * STEP[2] for x, y, z in product((0, 1), repeat=3)])
    for step in STEP:
        keys = merged([keys - step, keys, keys + step])

    channels = [*np.ascontiguousarray(normals.T), np.einsum("ni,ni->n", normals, grid)]
    sums = np.zeros((5, len(keys)))
    for corner in product((0, 1), repeat=3):
        node = np.searchsorted(keys, bases + corner[0] * STEP[0] + corner[1] * STEP[1] + corner[2] * STEP[2])[of_point]
        share = parts[corner[0]][0] * parts[corner[1]][1] * parts[corner[2]][2]
        sums[0] += np.bincount(node, weights=share, minlength=len(keys))
        for channel, values in enumerate(channels, 1):
            sums[channel] += np.bincount(node, weights=share * values, minlength=len(keys))
    for step in STEP:
        after = found(keys, keys + step)
        ahead = np.flatnonzero(after >= 0)
        before = np.full(len(keys), -1)
        before[after[ahead]] = ahead
        for channel in range(5):
            padded = np.append(sums[channel], 0.0)
            sums[channel] += 0.5 * (padded[before] + padded[after])
    known = sums[0] > LEAST_SHARE
    keys, sums = keys[known], sums[:, known]
    value = (np.einsum("ni,in->n", unpacked(keys), sums[1:4]) - sums[4]) / sums[0]
    return Field(cell, origin, keys, value)
