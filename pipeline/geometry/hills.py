"""How high the things around a part reach, told by the hills they make.

Paper and cloth lie around a part and lower than it: seen from above, each heap is a hill with a peak of its own, until
its slope meets the part's. Above the highest such peak nothing but the part is left. The hills of a height field and
where they meet: 0-dimensional persistence (Edelsbrunner, Letscher and Zomorodian, "Topological persistence and
simplification", 2002; cited from memory).
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import minimum_spanning_tree

from pipeline.geometry.standing import Standing
from pipeline.geometry.voxels import root_of
from pipeline.part import BoolArray, FloatArray

FEWEST_CELLS = 12
"""A hill has so many cells before it meets a higher one: less is roughness."""
AS_HIGH = 2 / 3
"""Hills from this share of the highest on are the part's own: paper is laid lower than what is scanned."""


def surely_part(scene: Standing, chosen: BoolArray, low: float, *, cut_sure: bool) -> BoolArray:
    """(m,) chosen cells that stand above everything lower that lies around.

    Parameters
    ----------
    chosen : (m,) cells kept for the part
    low : height of the riser above the support, millimetres; 0 without
    cut_sure : whether the riser does end there; else it may stand on what lies lower than it
    """
    if not chosen.any():
        return chosen
    top = float(scene.height[chosen].max())
    level = low
    if not cut_sure:
        ground = _peaks(scene, scene.solid & (scene.height < low))
        level += float(ground[ground < low - scene.cell].max(initial=0.0))  # the riser itself ends where it was cut
    peaks = _peaks(scene, scene.solid & (scene.height > low))
    lower = peaks[peaks < low + AS_HIGH * (top - low)]
    level = float(lower.max(initial=level))
    if level <= low:
        return chosen
    above = chosen & (scene.height > level)
    number, label = scene.cells.components(above)
    large = np.bincount(label[above], minlength=number) >= FEWEST_CELLS
    sure: BoolArray = above & np.append(large, False)[label]
    return sure


def _peaks(scene: Standing, usable: BoolArray) -> FloatArray:
    """Heights of the peaks of all hills that are large before they meet a higher one."""
    first, second = scene.cells.pairs
    rank = np.full(len(scene.cells), len(scene.cells))
    order = np.flatnonzero(usable)[np.argsort(-scene.height[usable], kind="stable")]
    rank[order] = np.arange(len(order))
    holds = usable[first] & usable[second]
    # Each pair is met at the lower of its cells; only those of the spanning tree join what was apart until there.
    ends = np.sort([rank[first[holds]], rank[second[holds]]], axis=0)
    links = coo_array((ends[1].astype(float), (ends[0], ends[1])), shape=(len(order), len(order)))
    tree = minimum_spanning_tree(links).tocoo()
    in_turn = np.argsort(tree.data, kind="stable")
    root, size = list(range(len(order))), [1] * len(order)
    peaks = []
    for one, other in zip(tree.row[in_turn].tolist(), tree.col[in_turn].tolist(), strict=True):
        higher, small = sorted((root_of(root, one), root_of(root, other)))
        if size[small] >= FEWEST_CELLS:
            peaks.append(small)
        root[small] = higher
        size[higher] += size[small]
    peaks += [k for k in range(len(order)) if root[k] == k and size[k] >= FEWEST_CELLS]
    found: FloatArray = scene.height[order[peaks]]
    return found
