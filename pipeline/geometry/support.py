"""Which vertices the measured points support; what stands on the others is invented and goes."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.edges import connected, edges_of
from pipeline.geometry.neighbours import Columns, dot, gathered, offsets, pieces, weighted_sum
from pipeline.geometry.refine import Evidence, Refined
from pipeline.part import BoolArray, IndexArray

LOPSIDED = 0.7
"""Distance of the neighbours' centre over their mean distance: 0.6 on a straight border, 1 far beyond it."""
ALIKE = 0.2
"""Least cosine between a vertex's side of the surface and the points that support it."""
WITHIN_GAPS = 1.0
BEYOND_GAPS = 2.0
"""A vertex belongs to the points within so many times their own distance; between the two, only if they surround it."""
PINHOLE_VERTICES = 4
"""So many unsupported vertices or fewer, within the support and with supported ones all around, are no opening."""


def supported_vertices(
    surface: Refined, faces: IndexArray, facing: Columns, data: Evidence, around: IndexArray, support: float
) -> tuple[BoolArray, BoolArray]:
    """(n,) whether each vertex lies on measured surface, and (n,) whether it spans a pinhole in it.

    Close to a point, as close as points there are to one another; or in a gap up to twice as wide that has
    points on all sides; never farther than ``support`` (mm); and facing the same way as those points. So a gap
    between points is surface, the same distance beyond the border of the data is not.
    """
    good, near = np.zeros(len(around), bool), np.zeros(len(around), bool)
    for here in pieces(len(around)):
        index = data.neighbours[around[here]]
        offset = offsets(data.points, index, surface.vertices[:, here])
        square = offset[0] ** 2 + offset[1] ** 2 + offset[2] ** 2
        distance = np.sqrt(square.min(axis=1))
        gap = data.gap[around[here]]
        centre = weighted_sum(np.full_like(square, 1 / index.shape[1]), offset)
        # An edge has its points on one side by nature; planes of both its faces put the vertex there.
        surrounded = surface.sharp[here] | ((centre**2).sum(axis=0) <= LOPSIDED**2 * square.mean(axis=1))
        close = (distance <= WITHIN_GAPS * gap) | (surrounded & (distance <= BEYOND_GAPS * gap))
        alike = dot(gathered(data.normals, index[:, :1]), facing[:, here])[:, 0] > ALIKE
        near[here] = distance <= support
        good[here] = close & alike & near[here]
    return good, _pinholes(faces, good, near)


def _pinholes(faces: IndexArray, good: BoolArray, near: BoolArray) -> BoolArray:
    """(n,) unsupported vertices in small groups, all near, that do not reach the border of the surface."""
    ring = faces[~good[faces].all(axis=1)]
    edges = edges_of(ring)
    bad_ends = ~good[edges.ends]
    both = edges.ends[bad_ends.all(axis=1)]
    label = connected(len(good), both[:, 0], both[:, 1])
    size = np.bincount(label[~good], minlength=int(label.max(initial=0)) + 1)
    fits = (size > 0) & (size <= PINHOLE_VERTICES)
    fits[label[~good & ~near]] = False
    fits[label[edges.ends[(edges.faces_count == 1)[:, None] & bad_ends]]] = False
    pinhole: BoolArray = ~good & fits[label]
    return pinhole
