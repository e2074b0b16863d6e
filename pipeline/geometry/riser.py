"""The block or column a part was raised on: nothing but upright walls from the support up, then something else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import ConvexHull, QhullError

from pipeline.part import BoolArray, FloatArray

LEVEL = 0.9
"""Least share of a level face's normal that points up."""
UPRIGHT = 0.3
"""Largest share of a wall's normal that points up."""
LEAST_LEVELS = 5
LEAST_ASPECT = 0.3
"""A base plate is flatter than this, height over width; a riser is not."""
LEAST_ASPECT_OVERHUNG = 0.15
"""The same where what stands on it reaches out over it, as it does over few base plates."""
LEAST_RING = 0.5
"""Share of the directions in which its walls must be seen."""
LEAST_ABOVE = 0.25
"""Cells over and around it that lie above its top, over those that lie below."""
LEAST_SPAN = 0.25
"""Share of its walls, from the support to its top, that must be seen."""
MOST_LEAN = 0.75
"""How far its walls may lean over their height, in cells."""


@dataclass(frozen=True, eq=False)
class Riser:
    """A column found under a part.

    Attributes
    ----------
    top : millimetres above the support
    outline : (k, 3) half-planes of its outline seen from above, ``n . p + d <= 0`` inside, millimetres
    flush : its own top face is seen beside what stands on it
    """

    top: float
    outline: FloatArray
    flush: bool

    def outside(self, plan: FloatArray) -> FloatArray:
        """(n,) how far points (n, 2) lie outside the outline, negative inside, millimetres."""
        distance: FloatArray = (plan @ self.outline[:, :2].T + self.outline[:, 2]).max(axis=1)
        return distance


def find_riser(
    plan: FloatArray, height: FloatArray, upright: BoolArray, level_face: BoolArray, level_ground: bool, cell: float
) -> Riser | None:
    """The riser among the cells of a scene, or None.

    Parameters
    ----------
    plan : (m, 2) centres of the cells seen along the support's normal, millimetres
    height : (m,) above the support, millimetres
    upright, level_face : (m,) cells whose surface stands upright; looks straight up
    level_ground : the support is a plain board; else its cover may hide the foot of the walls
    cell : edge length of a cell, millimetres
    """
    level = np.floor(height / cell).astype(int)
    corner = plan.min(axis=0) - 2.0 * cell
    at = np.floor((plan - corner) / (2.0 * cell)).astype(int)
    wall = upright & (level >= 0)
    if wall.sum() < 20:
        return None
    filled = np.zeros((*(at.max(axis=0) + 3), int(level.max()) + 1 + 2 * LEAST_LEVELS), bool)
    filled[at[wall, 0], at[wall, 1], level[wall]] = True
    stands = filled.any(axis=2)
    # A wall on the border of two columns fills both by halves: each column sees its neighbours' share too.
    filled = ndimage.binary_dilation(filled, np.ones((3, 3, 1), bool))
    # A column of wall: most of its first levels are filled, and they begin at the support or not far above.
    counted = np.concatenate([np.zeros((*filled.shape[:2], 1), int), filled.cumsum(axis=2)], axis=2)
    start = filled.argmax(axis=2)
    window = np.minimum(start + LEAST_LEVELS + 3, filled.shape[2])
    seen = np.take_along_axis(counted, window[..., None], axis=2)[..., 0]
    highest = 2 if level_ground else int(0.5 * level.max())
    ring_cells = stands & (seen >= LEAST_LEVELS) & (start <= highest)
    label, _ = ndimage.label(ring_cells, structure=np.ones((3, 3), int))
    best: tuple[int, Riser] | None = None
    for ring, where in enumerate(ndimage.find_objects(label), 1):
        columns = np.argwhere(label[where] == ring) + [axis.start for axis in where]
        found = _judged(columns, start[label == ring], corner, plan, height, wall, level_face, cell)
        if found is not None and (best is None or found[0] > best[0]):
            best = found
    return None if best is None else best[1]


def _judged(
    columns: NDArray[np.int64],
    start: NDArray[np.int64],
    corner: FloatArray,
    plan: FloatArray,
    height: FloatArray,
    wall: BoolArray,
    level_face: BoolArray,
    cell: float,
) -> tuple[int, Riser] | None:
    centres = (columns + 0.5) * 2.0 * cell + corner
    width = _narrowest(centres)
    if len(columns) < 6 or width < 2.0 * cell:
        return None
    first = float(np.median(start)) * cell
    low = wall & (height < first + (LEAST_LEVELS + 3) * cell)
    on_ring = (np.abs(plan[low][:, None, :] - centres).max(axis=2) <= cell).any(axis=1)
    try:
        outline = ConvexHull(plan[low][on_ring])
    except (QhullError, ValueError):
        return None
    riser = Riser(0.0, outline.equations, False)
    outside = riser.outside(plan)
    middle = centres.mean(axis=0)
    if _ring(centres - middle) < LEAST_RING:
        return None
    # Whatever begins beside the walls, or inside their outline, ends the column.
    beside = (outside > 1.2 * cell) & (outside < max(0.3 * width, 6.0 * cell))
    other = beside | (outside < -2.0 * cell)
    onset = _onset(height[other], height[wall & (np.abs(outside) < 2.0 * cell)], first, len(columns), cell)
    if onset is None:
        return None
    top = _onset_height(height[other], onset, cell)
    over = (np.abs(height - top) < 2.0 * cell) & beside
    if top < (LEAST_ASPECT_OVERHUNG if over.sum() > 0.5 * len(columns) else LEAST_ASPECT) * width:
        return None
    near = outside < 0.5 * width
    above = int((near & (height > top + cell)).sum())
    if above < LEAST_ABOVE * (near & (height <= top) & (height > first)).sum():
        return None
    own = wall & (np.abs(outside) < 2.0 * cell) & (height < top - cell) & (height >= first)
    if own.sum() < 12 or _lean(height[own], outside[own]) > MOST_LEAN * cell:
        return None
    if own.sum() < LEAST_SPAN * len(columns) * (top - first) / cell:
        return None
    face = (outside < 0.0) & (np.abs(height - top) < 1.5 * cell) & level_face
    flush = int(face.sum()) >= max(3, int(0.1 * len(columns)))
    return above, Riser(float(np.median(height[face])) if flush else top, outline.equations, flush)


def _onset(other: FloatArray, walls: FloatArray, first: float, columns: int, cell: float) -> int | None:
    """The level above the walls' last quiet stretch at which something else than they begins.

    Parameters
    ----------
    other, walls : heights of the cells beside or inside the walls, and of their own cells
    """
    most = int(max(other.max(initial=0.0), walls.max(initial=0.0)) / cell) + 2

    def count(heights: FloatArray) -> NDArray[np.int64]:
        return np.bincount(np.floor(heights[heights >= 0] / cell).astype(int), minlength=most + 1)

    busy = count(other)[:-1] + count(other)[1:] >= max(5.0, 0.4 * columns)
    quiet = ~busy & (count(walls)[:-1] >= 0.4 * columns)
    quiet[: int(first / cell) + LEAST_LEVELS - 2] = False
    last = np.flatnonzero(quiet)
    after = np.flatnonzero(busy[last[-1] :]) if len(last) else last
    return int(last[-1] + after[0]) if len(after) else None


def _onset_height(height: FloatArray, level: int, cell: float) -> float:
    """Height at which what ends the column begins, from the cells of that level."""
    there = height[(height >= (level - 0.5) * cell) & (height < (level + 2) * cell)]
    return float(np.percentile(there, 5))


def _lean(height: FloatArray, outside: FloatArray) -> float:
    """How far the walls move outwards or inwards from their foot to their top, millimetres."""
    centred = height - height.mean()
    spread = float(centred @ centred)
    slope = float(centred @ outside) / spread if spread > 0 else 0.0
    return abs(slope) * float(np.ptp(height))


def _ring(at: FloatArray) -> float:
    """Share of 24 directions around the origin in which there is something."""
    sector = np.floor((np.arctan2(at[:, 1], at[:, 0]) + np.pi) / (2.0 * np.pi) * 24).astype(int) % 24
    return len(np.unique(sector)) / 24


def _narrowest(outline: FloatArray) -> float:
    """Smallest width of an outline (k, 2) over all directions."""
    turn = np.pi * np.arange(36) / 36
    return float(np.ptp(outline @ np.stack([np.cos(turn), np.sin(turn)]), axis=0).min())
