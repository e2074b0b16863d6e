"""Rings of upright wall that begin at the support: where they stand, in which line, and where they come to an end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import ConvexHull, QhullError

from pipeline.geometry.sectors import share_around
from pipeline.geometry.standing import Standing
from pipeline.part import BoolArray, FloatArray

LEVEL = 0.9
"""Least share of a level face's normal that points up."""
UPRIGHT = 0.3
"""Largest share of a wall's normal that points up."""
LEAST_LEVELS = 5
LEAST_RING = 0.5
"""Share of the directions in which walls must be seen."""
GOES_ON = 0.5
"""Cells of wall in a level, over those of the levels at its foot, while it goes on."""
LONG_EDGE = 0.03
"""Share of an outline from which on an edge of it always counts."""
CLEARLY_MORE = 0.03
"""Share of the walls' cells by which another outline must hold more of them."""
IN_LINE = 0.7
"""How far from the line of the walls, in cells, a cell is at most one of theirs."""
WALL_IN_CELLS = 1.5
"""How far beside the outline a cell still is of the wall."""


@dataclass(frozen=True, eq=False)
class Ring:
    """Columns of wall all around something.

    Attributes
    ----------
    columns : (k, 2) their middles seen along the support's normal, millimetres
    foot : height above the support at which they begin to be seen, millimetres
    """

    columns: FloatArray
    foot: float

    @property
    def width(self) -> float:
        """Smallest width over all directions, of what is seen of it, millimetres."""
        return smallest_width(self.columns)

    @property
    def share(self) -> float:
        """Share of 24 directions around its middle in which there is wall."""
        at = self.columns - self.columns.mean(axis=0)
        return share_around(at, 24)


@dataclass(frozen=True, eq=False)
class Walls:
    """The walls over a ring.

    Attributes
    ----------
    outline : (k, 3) half-planes seen from above, ``n . p + d <= 0`` inside, millimetres
    centre : (2,) middle seen from above
    width : smallest over all directions, of the whole outline, millimetres
    top : height above the support at which they end or step aside, millimetres
    line : where they stand against the outline, millimetres outside
    spread : how far from that line a cell still is one of theirs, millimetres
    """

    outline: FloatArray
    centre: FloatArray
    width: float
    top: float
    line: float
    spread: float


def rings(scene: Standing) -> Iterator[Ring]:
    """Rings of upright wall that begin at the support, or not far above where a cover hides it."""
    cell = scene.cell
    wall = scene.solid & (np.abs(scene.rise) < UPRIGHT) & (scene.height >= 0.0)
    if wall.sum() < 20:
        return
    level = np.floor(scene.height[wall] / cell).astype(int)
    corner = scene.plan[wall].min(axis=0) - 2.0 * cell
    at = np.floor((scene.plan[wall] - corner) / (2.0 * cell)).astype(int)
    filled = np.zeros((*(at.max(axis=0) + 3), int(level.max()) + 1 + 2 * LEAST_LEVELS), bool)
    filled[at[:, 0], at[:, 1], level] = True
    stands = filled.any(axis=2)
    # A wall on the border of two columns fills both by halves: each column sees its neighbours' share too.
    filled = ndimage.binary_dilation(filled, np.ones((3, 3, 1), bool))
    # A column of wall: most of its first levels are filled, and they begin at the support or not far above.
    counted = np.concatenate([np.zeros((*filled.shape[:2], 1), int), filled.cumsum(axis=2)], axis=2)
    start = filled.argmax(axis=2)
    window = np.minimum(start + LEAST_LEVELS + 3, filled.shape[2])
    seen = np.take_along_axis(counted, window[..., None], axis=2)[..., 0]
    highest = 2 if scene.level_ground else int(0.5 * level.max())
    if scene.cleared is not None:
        highest = max(2, min(int(scene.cleared.height / cell) + 1, int(0.5 * level.max())))
    label, _ = ndimage.label(stands & (seen >= LEAST_LEVELS) & (start <= highest), structure=np.ones((3, 3), int))
    for ring, where in enumerate(ndimage.find_objects(label), 1):
        columns = np.argwhere(label[where] == ring) + [axis.start for axis in where]
        foot = float(np.median(start[where][label[where] == ring])) * cell
        yield Ring((columns + 0.5) * 2.0 * cell + corner, foot)


def walls_of(scene: Standing, ring: Ring) -> Walls | None:
    """The walls over a ring; None where they have no outline."""
    cell, upright = scene.cell, scene.solid & (np.abs(scene.rise) < UPRIGHT)
    low = upright & (scene.height < ring.foot + (LEAST_LEVELS + 3) * cell)
    seed = np.zeros(len(low), bool)
    seed[low] = (np.abs(scene.plan[low][:, None, :] - ring.columns).max(axis=2) <= cell).any(axis=1)
    first = hull_of(scene.plan[seed])
    if first is None:
        return None
    outside = outside_of(first, scene.plan)
    wall = upright & (np.abs(outside) < WALL_IN_CELLS * cell)
    top = wall_top(scene.height[wall], outside[wall], ring.foot, cell)
    outline, corners = _whole(scene, first, seed, upright, top)
    outside = outside_of(outline, scene.plan)
    wall = upright & (np.abs(outside) < WALL_IN_CELLS * cell) & (scene.height < top)
    return Walls(outline, corners.mean(axis=0), smallest_width(corners), top, *_line(outside[wall], cell))


def smallest_width(plan: FloatArray) -> float:
    """Smallest width of points (n, 2) over all directions, millimetres."""
    turn = np.pi * np.arange(36) / 36
    return float(np.ptp(plan @ np.stack([np.cos(turn), np.sin(turn)]), axis=0).min())


def outside_of(outline: FloatArray, plan: FloatArray) -> FloatArray:
    """(n,) how far points (n, 2) lie outside an outline (k, 3), negative inside, millimetres."""
    distance: FloatArray = (plan @ outline[:, :2].T + outline[:, 2]).max(axis=1)
    return distance


def hull_of(plan: FloatArray) -> FloatArray | None:
    """(k, 3) half-planes around points (n, 2): the long edges of their hull, and of the short ones a few."""
    try:
        hull = ConvexHull(plan)
    except (QhullError, ValueError):
        return None
    length = np.linalg.norm(np.diff(plan[hull.simplices], axis=1)[:, 0], axis=1)
    turn = np.floor((np.arctan2(hull.equations[:, 1], hull.equations[:, 0]) + np.pi) / np.radians(6.0))
    order = np.argsort(-length)
    longest = order[np.unique(turn[order], return_index=True)[1]]
    used = np.union1d(longest, np.flatnonzero(length > LONG_EDGE * length.sum()))
    return np.asarray(hull.equations[used])


def _whole(
    scene: Standing, first: FloatArray, seed: BoolArray, upright: BoolArray, top: float
) -> tuple[FloatArray, FloatArray]:
    """Outline, and (k, 2) what it is around.

    With those walls that are seen less: what lies in a row with the others, and the top face.
    """
    cell, plan = scene.cell, scene.plan
    walls = upright & (scene.height < top) | seed
    at = np.floor((plan[walls] - plan[walls].min(axis=0)) / (2.0 * cell)).astype(int)
    image = np.zeros(at.max(axis=0) + 1, bool)
    image[tuple(at.T)] = True
    label, _ = ndimage.label(ndimage.binary_dilation(image, np.ones((3, 3), bool)), structure=np.ones((3, 3), int))
    row = np.full(len(walls), -1)
    row[walls] = label[tuple(at.T)]
    grown = walls & np.isin(row, np.unique(row[seed]))
    level = scene.solid & (scene.rise > LEVEL) & (np.abs(scene.height - top) < 1.2 * cell)
    _, piece = scene.cells.components(grown | level)
    face = level & np.isin(piece, np.unique(piece[grown]))
    # Low down paper may lie against the walls; higher up they stand alone.
    upper = grown & (scene.height > 0.5 * top)
    best, most = (first, plan[seed]), 0.0
    for corners in (seed | face, seed, grown | face, grown, upper | face, upper):
        outline = hull_of(plan[corners])
        if outline is None:
            continue
        on_walls = float((np.abs(outside_of(outline, plan[grown])) < cell).mean())
        if on_walls > most + CLEARLY_MORE:
            best, most = (outline, plan[corners]), on_walls
    return best


def wall_top(height: FloatArray, outside: FloatArray, foot: float, cell: float) -> float:
    """Height at which the walls, followed from their foot, come to an end or step aside."""
    most = int(max(height.max(initial=0.0), foot) / cell) + 2 * LEAST_LEVELS + 4
    used = (height >= 0) & (height < (most + 1) * cell)
    level = np.floor(height[used] / cell).astype(int)
    count = np.bincount(level, minlength=most + 1)
    start = int(foot / cell + 0.5)
    low = (level >= start) & (level < start + LEAST_LEVELS + 3)
    line, width = _line(outside[used][low], cell)
    beside = np.bincount(level, weights=np.abs(outside[used] - line) > width, minlength=most + 1)
    goes_on = count - beside >= max(3.0, GOES_ON * float(np.median(count[start : start + LEAST_LEVELS + 3])))
    while not goes_on[start] and start * cell < foot + LEAST_LEVELS * cell:
        start += 1
    while goes_on[start : start + 2].any():
        start += 1
    return start * cell


def _line(outside: FloatArray, cell: float) -> tuple[float, float]:
    """Where the walls stand against their outline, and how far from there a cell still is one of theirs."""
    if len(outside) == 0:
        return 0.0, IN_LINE * cell
    line = float(np.median(outside))
    spread = 1.4826 * float(np.median(np.abs(outside - line)))
    return line, float(np.clip(4.0 * spread, 0.2 * cell, IN_LINE * cell))
