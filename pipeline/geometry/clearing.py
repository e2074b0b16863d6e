"""What touches the part, cleared away by its colour, where that agrees with how the surfaces meet.

Two things that touch meet in an inward crease; where a thing was painted in two colours its surface runs on. So the
border between two colours is taken for that between two things only where the surface is folded along it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.spatial import ConvexHull

from pipeline.geometry.contact import bend_between
from pipeline.geometry.outline import middle_of
from pipeline.geometry.paint import FEWEST_LEARNED, LEAST_TOLD_APART, hues, learned, paint_of
from pipeline.geometry.sectors import filled_in, furthest, sector_of
from pipeline.geometry.standing import Standing
from pipeline.geometry.walls import LEVEL, UPRIGHT
from pipeline.part import BoolArray, ColourArray, FloatArray, IndexArray

OUTER = 0.63
"""Share of the way to the border of the picture beyond which hardly anything is the part's."""
INNER = 0.35
"""Share of that way within which what stands highest is the part."""
UPPER = 0.85
"""Share of that height above which it surely is."""
CREASE = 0.2
"""How far two neighbouring unit normals turn towards each other across a fold (11 degrees)."""
FOLD = 0.1
"""How much cells hold together across a fold, over cells where the surface runs on."""
SWEEPS = 60
"""Rounds of settling; in each a colour is heard one cell further."""
TOLD = 0.1
"""How far a belief must be from undecided, of 0.5 at most, to count as told by the colour."""
SURELY_OWN = 0.9
"""Belief from which on a cell has the part's own paint."""
MOST_AGAINST = 0.006
"""Cells whose own colour speaks against what they were taken for, over those of the part."""
LEAST_PLAIN = 0.7
"""Share of a riser's cells that are upright or level."""
LEAST_FOLDED = 0.35
"""Share of the border around a cell along which the surface must be folded there."""
MOST_UNFOLDED = 0.25
"""Cells of the longest stretch of border where it is not, over the root of those of the part."""


@dataclass(frozen=True, eq=False)
class Clearing:
    """What was told by its colour.

    Attributes
    ----------
    clutter : (n,) points that are not the part's
    own : (n,) points in cells of the part's own paint
    strange : (n,) points in cells of neither paint
    pedestal : (n,) those of them that make a riser under all of the part
    height : up to which clutter that stands on the ground touches what is left, millimetres
    sure : colour and shape agree on where the part ends
    """

    clutter: BoolArray
    own: BoolArray
    strange: BoolArray
    pedestal: BoolArray
    height: float
    sure: bool


def cleared(
    scene: Standing, colours: ColourArray, corners: FloatArray, resting: BoolArray | None = None
) -> Clearing | None:
    """What of a scene has the paint of the things at its border, and none of the part's.

    Parameters
    ----------
    colours : (n, 3) of the points, 0 to 255
    corners : (k, 2) of the picture's convex outline, seen along the support's normal, millimetres
    resting : (m,) cells that rest on a riser, or None where none was found

    Returns
    -------
    None where no colours could be learned: nothing stands at the border, say.
    """
    hue = paint_of(scene.cells, colours)
    part, other = _seeds(scene, corners)
    if resting is not None and resting.sum() >= FEWEST_LEARNED:
        part = resting
    paints = learned(hue, part, other)
    if paints is None:
        return None
    belief = paints.belief(hue)
    told = np.abs(belief - 0.5) > TOLD
    first, second = scene.cells.pairs
    bend = bend_between(scene.cells, scene.normal, first, second)
    mine = _settled(belief, first, second, np.where(bend < -CREASE, FOLD, 1.0))
    clutter = (mine < 0.5) & told
    across = (clutter[first] != clutter[second]) & told[first] & told[second]
    seam = np.zeros(len(belief), bool)
    seam[first[across]] = seam[second[across]] = True
    whole = max(float((mine > 0.5).sum()), 1.0)
    against = float((told & ~seam & ((mine > 0.5) != (belief > 0.5))).sum()) / whole
    unfolded = _unfolded(scene, clutter, first[across], second[across], bend[across]) / float(np.sqrt(whole))
    sure = paints.told_apart > LEAST_TOLD_APART and against < MOST_AGAINST and unfolded < MOST_UNFOLDED
    own, strange = belief > SURELY_OWN, belief == 0.5
    pedestal = _pedestal(scene, strange & ~clutter, own)
    # Beside clutter a cell may hold some of both, and its colour is of neither.
    strange &= np.asarray(scene.cells.around @ clutter) == 0
    # Cells along the seam hold points of both: each goes by its own colour.
    cell = scene.cells.of_point
    of_point = clutter[cell]
    mixed = np.flatnonzero((seam & told)[cell])
    alone = paints.belief(hues(colours[mixed].astype(float)))
    decided = np.abs(alone - 0.5) > TOLD
    of_point[mixed[decided]] = alone[decided] < 0.5
    return Clearing(of_point, own[cell], strange[cell], pedestal[cell], _height(scene, clutter), sure)


def _seeds(scene: Standing, corners: FloatArray) -> tuple[BoolArray, BoolArray]:
    """(m,) cells that surely are the part's, (m,) cells that surely are not: high in the middle, far outside."""
    middle = middle_of(corners[ConvexHull(corners).vertices])
    border = furthest(filled_in(corners) - middle)
    border = np.maximum(border, np.median(border))
    at = scene.plan - middle
    away = np.hypot(at[:, 0], at[:, 1]) / border[sector_of(at)]
    near = scene.solid & (away < INNER)
    top = float(np.percentile(scene.height[near], 99.5)) if near.any() else 0.0
    return near & (scene.height > UPPER * top), scene.solid & (away > OUTER)


def _settled(belief: FloatArray, first: IndexArray, second: IndexArray, hold: FloatArray) -> FloatArray:
    """(m,) beliefs settled between what each cell's own colour says and what its neighbours do.

    Random walks with priors: Grady, "Multilabel random walker image segmentation using prior models", CVPR 2005;
    relaxed, as the priors keep it local.
    """
    both = coo_array((hold, (first, second)), shape=(len(belief), len(belief))).tocsr()
    both = both + both.T
    trust = 2.0 * np.abs(belief - 0.5)
    whole = np.asarray(both.sum(axis=1)).ravel() + trust + np.finfo(float).tiny
    mine = belief
    for _ in range(SWEEPS):
        mine = (both @ mine + trust * belief) / whole
    return np.asarray(mine)


def _height(scene: Standing, clutter: BoolArray) -> float:
    """Up to where clutter that reaches the ground touches what is none, millimetres."""
    number, label = scene.cells.components(clutter)
    lowest = np.full(number, np.inf)
    np.minimum.at(lowest, label[clutter], scene.height[clutter])
    touching = clutter & (np.asarray(scene.cells.around @ ~clutter) > 0)
    touching[touching] = lowest[label[touching]] < scene.floor
    return float(np.percentile(scene.height[touching], 95)) if touching.any() else 0.0


def _pedestal(scene: Standing, strange: BoolArray, part: BoolArray) -> BoolArray:
    """(m,) cells of neither paint that make upright walls and a level top under all of the part: a riser."""
    number, label = scene.cells.components(strange)
    if number == 0 or not part.any():
        return np.zeros(len(strange), bool)
    under = scene.height < np.percentile(scene.height[part], 1.0) + 1.5 * scene.cell
    plain = (np.abs(scene.rise) < UPRIGHT) | (scene.rise > LEVEL)
    size = np.bincount(label[strange], minlength=number)
    fits = np.bincount(label[strange & under], minlength=number) > 0.95 * size
    fits &= np.bincount(label[strange & plain], minlength=number) > LEAST_PLAIN * size
    return strange & fits[np.maximum(label, 0)]


def _unfolded(scene: Standing, clutter: BoolArray, first: IndexArray, second: IndexArray, bend: FloatArray) -> int:
    """Cells of the longest stretch of the border along which clutter and part are of one surface."""
    side = np.where(clutter[first], second, first)
    count = len(scene.cells)
    pairs = scene.cells.around @ np.bincount(side, minlength=count)
    folded = scene.cells.around @ np.bincount(side, weights=bend < -CREASE, minlength=count)
    smooth = np.zeros(count, bool)
    smooth[side] = folded[side] < LEAST_FOLDED * pairs[side]
    number, label = scene.cells.components(smooth)
    return int(np.bincount(label[smooth]).max()) if number else 0
