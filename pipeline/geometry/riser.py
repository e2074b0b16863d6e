"""The block a part was raised on: a narrow column from the table up to a sudden step outwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from pipeline.part import FloatArray

LEAST_STEP = 1.25
MOST_TAPER = 1.15


@dataclass(frozen=True, slots=True)
class Riser:
    """A column found under a part.

    Attributes
    ----------
    top : height of the step, millimetres above the support
    step : how many times larger the outline is above the step than below
    """

    top: float
    step: float


def find_riser(plan: FloatArray, height: FloatArray, cell: float) -> Riser | None:
    """The column under a piece that stands on the support, or None when it has none.

    Parameters
    ----------
    plan : (n, 2), millimetres, seen along the support's normal
    height : (n,) above the support, millimetres
    cell : resolution, millimetres
    """
    levels = np.floor(height / cell).astype(int)
    top = int(levels.max())
    if top < 6:
        return None
    outline = np.array([_outline(plan[levels == level]) for level in range(top + 1)])
    seen = np.flatnonzero(outline > 0)
    if not len(seen) or seen[0] > 0.3 * top:
        return None
    outline = np.interp(np.arange(top + 1), seen, outline[seen])
    smooth = ndimage.median_filter(outline, size=3, mode="nearest")
    foot = float(np.median(smooth[: max(2, top // 12)]))
    ahead = np.maximum(smooth, ndimage.maximum_filter1d(smooth, 3, origin=-1, mode="nearest"))
    stepped = np.flatnonzero(ahead > LEAST_STEP * foot)
    if not len(stepped) or stepped[0] < 2:
        return None
    level = int(stepped[0])
    if smooth[:level].max() > MOST_TAPER * foot or smooth[:level].min() < foot / MOST_TAPER:
        return None
    over = float(smooth[level : level + max(3, top // 8)].max())
    at = height[(levels >= level - 1) & (np.linalg.norm(plan - _middle(plan[levels < level]), axis=1) > 0.56 * foot)]
    edge = float(np.percentile(at, 0.2)) if len(at) else level * cell
    return Riser(edge, over / foot)


def _middle(plan: FloatArray) -> FloatArray:
    return np.asarray((plan.max(axis=0) + plan.min(axis=0)) / 2.0)


def _outline(plan: FloatArray) -> float:
    """Diameter of a slice, robust against a few strays: the mean of its widths in four directions."""
    if len(plan) < 4:
        return 0.0
    turn = np.pi * np.arange(4) / 4
    along = plan @ np.stack([np.cos(turn), np.sin(turn)])
    low, high = np.percentile(along, [2, 98], axis=0)
    return float((high - low).mean())
