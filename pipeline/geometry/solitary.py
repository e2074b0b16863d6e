"""Points that stand alone beside a denser surface."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.kinds import kinds
from pipeline.geometry.sampling import FARTHEST_SPACINGS, point_spacing
from pipeline.geometry.sparse_grid import box_keys
from pipeline.part import BoolArray, FloatArray, LongArray

AROUND = 12
REACH = 3
"""The neighbour whose distance stands for how sparse it is about a point."""
SPARSER = 1.5
"""By so much the sparsest of its neighbours is outdone by a point that belongs to none of them."""


def solitary(points: FloatArray) -> BoolArray:
    """(n,) points (n, 3) in mm that no other is near, though every one of their neighbours has its own.

    A surface that was seen sparsely has sparse points beside each of its points, so it stays, even where a denser one
    runs close to it (the bore of a pipe within its wall). A stray has none. The density ratio is that of the local
    outlier factor (Breunig, Kriegel, Ng and Sander, SIGMOD 2000), against the sparsest neighbour, not their mean.
    """
    alone = np.zeros(len(points), bool)
    if len(points) <= AROUND:
        return alone
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    within = FARTHEST_SPACINGS * point_spacing(points, tree)
    lonely = _alone_in_their_boxes(points, within / np.sqrt(3))  # of two in one box none is farther off than that
    lonely = lonely[np.isinf(tree.query(points[lonely], k=[2], distance_upper_bound=within)[0][:, 0])]
    if not len(lonely):
        return alone
    distance, index = tree.query(points[lonely], k=AROUND + 1)
    others, at = np.unique(index[:, 1:], return_inverse=True)
    theirs = tree.query(points[others], k=[REACH + 1])[0][:, 0][at.reshape(len(lonely), AROUND)]
    alone[lonely] = distance[:, REACH] > SPARSER * theirs.max(axis=1)
    return alone


def _alone_in_their_boxes(points: FloatArray, edge: float) -> LongArray:
    """(k,) points that share their box with no other in either of two grids, box after box."""
    left = np.arange(len(points))
    for shift in (0.0, 0.5):
        boxes = kinds(box_keys(points[left] / edge + shift))
        left = left[boxes.first[boxes.count == 1]]
    return left
