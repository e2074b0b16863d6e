"""Whether captures that are to be fused lie on one another where they show the same surface."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.cloud import unit
from pipeline.geometry.neighbours import nearest
from pipeline.geometry.voxels import voxels
from pipeline.part import FloatArray, IndexArray

FEWEST = 4
"""Points that a patch must hold for its mean to mean something."""
ALIKE = 0.9
"""Least cosine between the normals of two patches that may show the same surface."""
ENOUGH = 30
"""Pairs of patches it takes to say anything of a capture."""


def disagreement(points: FloatArray, owner: IndexArray, normals: FloatArray, tree: cKDTree, patch: float) -> float:
    """How far captures lie apart where they overlap, by the one that lies worst.

    Means over patches of surface (cubes of edge ``patch``), each against the nearest patch of the other
    captures, along the mean of both normals, so that neither noise nor curvature counts. Of each capture's
    distances the upper quartile, because a shift along the surface shows only where the surface turns.

    Parameters
    ----------
    points : (n, 3), millimetres, and (n,) the capture each one is from
    normals : (m, 3) of the points that ``tree`` holds
    patch : millimetres

    Returns
    -------
    Millimetres; 0.0 where no two captures overlap.
    """
    places, belongs = [], []
    for capture in range(int(owner.max(initial=-1)) + 1):
        own = points[owner == capture]
        if len(own):
            cells = voxels(own, patch)
            places.append(cells.centre[cells.count >= FEWEST])
            belongs.append(np.full(len(places[-1]), capture))
    place, of = np.concatenate(places), np.concatenate(belongs)
    if len(place) == 0:
        return 0.0
    normal = normals[nearest(tree, place, 1)[1][:, 0]]
    worst = 0.0
    for capture in np.unique(of):
        mine, others = np.flatnonzero(of == capture), np.flatnonzero(of != capture)
        if len(others) == 0:
            continue
        apart, index = nearest(cKDTree(place[others]), place[mine], 1)
        other = others[index[:, 0]]
        alike = np.einsum("ni,ni->n", normal[mine], normal[other]) > ALIKE
        pair = alike & (apart[:, 0] < 2 * patch)
        if pair.sum() >= ENOUGH:
            halfway = unit(normal[mine[pair]] + normal[other[pair]])
            gap = np.abs(np.einsum("ni,ni->n", halfway, place[other[pair]] - place[mine[pair]]))
            worst = max(worst, float(np.percentile(gap, 75)))
    return worst
