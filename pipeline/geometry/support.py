"""Which faces the measured points support; the others are invented and go."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.cloud import Cloud, unit
from pipeline.geometry.refine import Refined
from pipeline.part import BoolArray, FloatArray, IndexArray

CHUNK = 65_536
LOPSIDED = 0.7
"""Distance of the neighbours' centre over their mean distance: 0.6 on a straight border, 1 far beyond it."""
ALIKE = 0.2
"""Least cosine between a face and the points that support it."""


def supported_vertices(surface: Refined, cloud: Cloud, near: float, support: float) -> BoolArray:
    """(n,) whether each vertex lies on measured surface.

    Within ``near`` of a point, or within ``support`` and with points on all sides: a gap between points is
    surface, the same distance beyond the border of the data is not.

    Parameters
    ----------
    near, support : millimetres
    """
    distance = np.linalg.norm(cloud.points[surface.neighbours[:, 0]] - surface.vertices, axis=1)
    good: BoolArray = distance <= support
    doubtful = np.flatnonzero(good & (distance > near))
    for begin in range(0, len(doubtful), CHUNK):
        which = doubtful[begin : begin + CHUNK]
        offset = cloud.points[surface.neighbours[which]] - surface.vertices[which, None]
        mean_distance = np.sqrt((offset**2).sum(axis=2).mean(axis=1))
        good[which] = np.linalg.norm(offset.mean(axis=1), axis=1) <= LOPSIDED * mean_distance
    return good


def supported_faces(faces: IndexArray, vertices: FloatArray, good: BoolArray, normals: FloatArray) -> BoolArray:
    """(m,) faces whose corners are all supported and that face the way their points do."""
    corners = vertices[faces]
    normal = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    facing = unit(normals[faces].sum(axis=1))
    alike: BoolArray = np.einsum("ni,ni->n", normal, facing) > ALIKE
    return good[faces].all(axis=1) & alike
