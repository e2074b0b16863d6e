"""The block or column a part was raised on: nothing but upright walls from the support up, then something else."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.components import inside_hull
from pipeline.geometry.sectors import SECTORS, sector_of, share_around
from pipeline.geometry.standing import Standing
from pipeline.geometry.walls import (
    LEAST_LEVELS,
    LEAST_RING,
    LEVEL,
    UPRIGHT,
    WALL_IN_CELLS,
    Ring,
    Walls,
    hull_of,
    outside_of,
    rings,
    wall_top,
    walls_of,
)
from pipeline.part import BoolArray, FloatArray

LEAST_ASPECT = 0.15
"""A base plate is flatter than this, height over width; a riser is not."""
SUSPECT_ASPECT = 0.25
"""Height over width from which on the foot of a part that stands on the support may be a riser."""
LEAST_ABOVE = 0.25
"""Cells over and around it that lie above its top, over those of it."""
LEAST_SPAN = 0.25
"""Share of its walls, from the support to its top, that must be seen."""
QUIET = 0.15
"""Cells over those of a level of wall with which something else begins."""
RIVAL = 0.3
"""Share of the walls of the riser found from which on those of another one count."""
MOST_BESIDE = 0.5
"""Share of what stands on the support from which on it must be shown that the part would fall without its riser."""
UNSEEN = 0.25
"""How far beside the walls that are seen others may stand in a shadow, over their width."""
FEWEST_STANDING = 3
"""Cells in one direction from which on something stands there."""
FEWEST_LEVEL = 12
"""Cells from which on a level face is one."""
CREST = 98.0
"""Percentile of what lies low that the crests of rough ground reach."""
LITTLE = 0.1
"""A face of fewer cells, over those of what stands higher, is none of the large ones of a part."""
SPECK = 8
"""Cells below which a piece is none."""
THICK_IN_CELLS = 2.0
"""How far beside the outline there may be stray cells of the wall."""
MOST_LEAN = 0.75
"""How far its walls may lean over their height, in cells."""


@dataclass(frozen=True, eq=False)
class Riser:
    """A column found under a part.

    Attributes
    ----------
    slope : (3,) its top over the plan, ``height = slope . (x, y, 1)``, millimetres above the support
    outline : (k, 3) half-planes of its outline seen from above, ``n . p + d <= 0`` inside, millimetres
    centre : (2,) middle of its walls, seen from above
    flush : its own top face is seen beside what stands on it
    aspect : height over width
    beside : how far outside the outline a place may still be the wall's, millimetres
    sure : depth below its top down from which everything goes; above, only what stands within the walls, millimetres
    hidden : share of its height, from the support up, of which no wall is seen
    contested : something beside it reaches from the ground to what stands on it
    rivals : others whose walls are seen nearly as well and end elsewhere; beside one that was only told, one that is
        seen to end below it
    """

    slope: FloatArray
    outline: FloatArray
    centre: FloatArray
    flush: bool
    aspect: float
    beside: float
    sure: float
    hidden: float
    contested: bool
    rivals: tuple[Riser, ...] = ()

    @property
    def everywhere(self) -> bool:
        """Nothing is known of it but its height."""
        return len(self.outline) == 1

    @property
    def height(self) -> float:
        """Of its top over its middle, millimetres above the support."""
        return float(self.top(self.centre[None, :])[0])

    def outside(self, plan: FloatArray) -> FloatArray:
        """(n,) how far points (n, 2) lie outside the outline, negative inside, millimetres."""
        return outside_of(self.outline, plan)

    def top(self, plan: FloatArray) -> FloatArray:
        """(n,) height of its top over points (n, 2), millimetres above the support."""
        height: FloatArray = plan @ self.slope[:2] + self.slope[2]
        return height


def declared_riser(height: float, centre: FloatArray, rivals: tuple[Riser, ...] = ()) -> Riser:
    """A riser of which only the height is known: everything below goes, wherever it stands."""
    everywhere = np.array([[0.0, 0.0, -1.0]])
    return Riser(np.array([0.0, 0.0, height]), everywhere, centre, True, 1.0, 0.0, 0.0, 0.0, False, rivals)


def find_riser(scene: Standing) -> Riser | None:
    """The riser in a scene, or None."""
    found = [judged for ring in rings(scene) if (judged := _judged(scene, ring)) is not None]
    if not found:
        return None
    seen, best = max(found, key=lambda judged: judged[0])
    # Another that is seen nearly as well and ends elsewhere: one of the two is not what it seems.
    others = [riser for walls, riser in found if walls > RIVAL * seen]
    return replace(
        best,
        rivals=tuple(riser for riser in others if abs(riser.height - best.height) > 2.0 * scene.cell),
    )


def level_top(scene: Standing, declared: float, most_higher: float) -> float | None:
    """Height of the level face that may be the top of a riser of the height declared, on rough ground.

    On paper or cloth a riser stands higher than its own height tells, by as much as the crests rise, but not by more
    than ``most_higher``: lumps of paper are crests as well. Its top ends in walls, which tells it best; or it is seen
    through a hole or beside a foot of what stands over it, and is little against that.

    Returns
    -------
    Millimetres above the support; None where no such face is seen.
    """
    cell = scene.cell
    low = scene.height[scene.solid & (scene.height < 0.5 * declared)]
    crest = float(np.clip(np.percentile(low, CREST), 0.0, most_higher)) if len(low) else 0.0
    higher_than_told = scene.height - declared
    level = scene.solid & (scene.rise > LEVEL) & (-cell < higher_than_told) & (higher_than_told < crest + cell)
    number, label = scene.cells.components(level)
    found = []
    for piece in range(number):
        face = label == piece
        outline = hull_of(scene.plan[face]) if face.sum() >= FEWEST_LEVEL else None
        if outline is None:
            continue
        top = float(np.median(scene.height[face]))
        in_walls = _ends_in_walls(scene, face, outline, top)
        higher = scene.plan[scene.solid & (scene.height > top + THICK_IN_CELLS * cell)]
        if in_walls or (face.sum() < LITTLE * len(higher) and inside_hull(higher, scene.plan[face]).mean() > 0.5):
            found.append((in_walls, int(face.sum()), top))
    return max(found)[2] if found else None


def _ends_in_walls(scene: Standing, face: BoolArray, outline: FloatArray, top: float) -> bool:
    """Whether walls reach down from most of the outline of a level face; the edge of a thin sheet is none."""
    cell = scene.cell
    under = (scene.height < top - THICK_IN_CELLS * cell) & (scene.height > top - LEAST_LEVELS * cell)
    walls = scene.solid & (np.abs(scene.rise) < UPRIGHT) & under
    walls &= np.abs(outside_of(outline, scene.plan)) < WALL_IN_CELLS * cell
    return share_around(scene.plan[walls] - scene.plan[face].mean(axis=0)) >= LEAST_RING


def may_be_riser(scene: Standing, chosen: BoolArray) -> bool:
    """Whether the chosen cells, that stand on the support themselves, stand there on walls that carry the rest."""
    for ring in rings(scene):
        outline = hull_of(ring.columns)
        if outline is None or len(ring.columns) < 12 or ring.share < LEAST_RING:
            continue
        outside = outside_of(outline, scene.plan)
        walls = chosen & (np.abs(outside) < WALL_IN_CELLS * scene.cell) & (np.abs(scene.rise) < UPRIGHT)
        top = wall_top(scene.height[walls], outside[walls], ring.foot, scene.cell)
        carried = chosen & (scene.height > top + 2.0 * scene.cell)
        stands = chosen & (scene.height < scene.floor)
        beside = (stands & (outside > WALL_IN_CELLS * scene.cell)).sum()
        if beside > MOST_BESIDE * stands.sum() and not _needed(scene.plan, outline, carried, stands, ring.width):
            continue
        tall = top - ring.foot >= max(LEAST_LEVELS * scene.cell, SUSPECT_ASPECT * ring.width)
        if tall and carried.sum() > 0.5 * walls.sum():
            return True
    return False


def _needed(plan: FloatArray, outline: FloatArray, carried: BoolArray, stands: BoolArray, width: float) -> bool:
    """Whether walls stand under the middle of what they carry, and without them it would fall over.

    Of several feet no one carries alone; but what stands beside a riser and only leans at the part holds nothing up.
    """
    if not carried.any():
        return False
    unseen, middle = UNSEEN * width, plan[carried].mean(axis=0)
    if outside_of(outline, middle[None, :])[0] > unseen:
        return False
    away = plan[stands & (outside_of(outline, plan) > unseen)] - middle
    held = np.bincount(sector_of(away), minlength=SECTORS) >= FEWEST_STANDING
    every_half_turn = all(np.roll(held, turn)[: SECTORS // 2].any() for turn in range(SECTORS))
    return not every_half_turn


@dataclass(frozen=True, eq=False)
class _Carried:
    """What stands on the walls: where it begins, whether all of it hangs clear of the ground, and its (m,) cells."""

    onset: float
    clear: bool
    cells: BoolArray


def _judged(scene: Standing, ring: Ring) -> tuple[int, Riser] | None:
    """A riser over a ring, and how many cells of its walls are seen."""
    cell, width = scene.cell, ring.width
    if len(ring.columns) < 6 or width < 2.0 * cell or ring.share < LEAST_RING:
        return None
    walls = walls_of(scene, ring)
    if walls is None:
        return None
    outside = outside_of(walls.outline, scene.plan)
    carried = _carried(scene, ring, walls, outside)
    if carried is None:
        return None
    slope, flush, clear = _top(scene, ring, walls, outside, carried)
    top = float(slope @ [*walls.centre, 1.0])
    own = scene.solid & (np.abs(scene.rise) < UPRIGHT) & (np.abs(outside) < WALL_IN_CELLS * cell)
    own &= (scene.height < top - cell) & (scene.height >= ring.foot)
    above = int((scene.solid & (outside < 0.5 * width) & (scene.height > top + cell)).sum())
    whole = max(width, walls.width)  # a wall that is half in the shadow is not as narrow as it looks
    if top < LEAST_ASPECT * whole or above < LEAST_ABOVE * own.sum():
        return None
    if own.sum() < max(12.0, LEAST_SPAN * len(ring.columns) * (top - ring.foot) / cell):
        return None
    if _lean(scene.height[own], outside[own]) > MOST_LEAN * cell:
        return None
    return int(own.sum()), Riser(
        slope=slope,
        outline=walls.outline,
        centre=walls.centre,
        flush=flush,
        aspect=top / whole,
        beside=walls.line + walls.spread,
        sure=0.0 if flush else max(top - walls.top, 0.0) + cell,
        hidden=ring.foot / top,
        contested=not clear,
    )


def _top(
    scene: Standing, ring: Ring, walls: Walls, outside: FloatArray, carried: _Carried
) -> tuple[FloatArray, bool, bool]:
    """(3,) the top over the plan, whether it is a face that was seen, and whether nothing contests it."""
    cell, onset, clear = scene.cell, carried.onset, carried.clear
    few = max(3, int(0.1 * len(ring.columns)))
    inside = scene.solid & (outside < 0.0) & (scene.rise > LEVEL)
    face = inside & (np.abs(scene.height - onset) < 1.2 * cell)
    if not clear:
        # Something beside it reaches up to the part: its own top face, where the walls end, tells better.
        higher = inside & (np.abs(scene.height - walls.top) < 2.5 * cell)
        if higher.sum() >= few:
            onset, face = walls.top, higher
    # Something that stands on the ground, and yet over the walls, is neither the riser nor hangs clear of it;
    # and where the walls go on past what begins in the air, one of the two is not what it seems.
    over = scene.solid & (THICK_IN_CELLS * cell < np.abs(outside)) & (outside < _around(ring, cell))
    between = over & (scene.height > walls.top + 2.0 * cell) & (scene.height < onset - 2.0 * cell)
    clear = clear and int(between.sum()) < SPECK and onset > walls.top - LEAST_LEVELS * cell
    if face.sum() >= few:
        level = _level_plane(scene, inside, face)
        # Its own edge is blurred a little further down.
        edge = np.where(np.abs(outside) < WALL_IN_CELLS * cell, 2.5 * cell, 0.8 * cell)
        under = carried.cells & (scene.height < scene.plan @ level[:2] + level[2] - edge)
        # Nothing that rests on its top reaches below it; else the face is one of the part's own.
        if under.sum() <= QUIET * len(ring.columns) + 3:
            return level, True, clear
    # Walls that go on where what they carry is said to begin.
    columns = cKDTree(ring.columns)
    goes_on = carried.cells & (np.abs(scene.rise) < UPRIGHT) & (scene.height < onset + 3.0 * cell)
    above = columns.query(scene.plan[goes_on], p=np.inf, distance_upper_bound=1.5 * cell)[0]
    clear = clear and int(np.isfinite(above).sum()) <= QUIET * len(ring.columns) + 3
    return np.array([0.0, 0.0, onset]), False, clear


def _around(ring: Ring, cell: float) -> float:
    """How far outside the outline something still stands over the walls, millimetres."""
    return max(4.0 * cell, 0.1 * ring.width)


def _carried(scene: Standing, ring: Ring, walls: Walls, outside: FloatArray) -> _Carried | None:
    """What stands on the walls; without them it is one or more pieces in the air over and around them."""
    cell, begins = scene.cell, int(QUIET * len(ring.columns)) + 3
    column = (np.abs(outside) < THICK_IN_CELLS * cell) & (scene.height < walls.top + cell)
    rest = scene.solid & ~column & (scene.height > ring.foot)
    number, label = scene.cells.components(rest)
    over = rest & (outside < _around(ring, cell)) & (scene.height > ring.foot + LEAST_LEVELS * cell)
    if number == 0 or not over.any():
        return None
    lowest = np.full(number, np.inf)
    np.minimum.at(lowest, label[rest], scene.height[rest])
    size = np.bincount(label[over], minlength=number)
    in_the_air = (lowest > ring.foot + LEAST_LEVELS * cell) & (size >= SPECK)
    # All of such a piece counts, also where it reaches out far; but not walls that go on in a shadow.
    in_line = (np.abs(scene.rise) < UPRIGHT) & (np.abs(outside - walls.line) < walls.spread)
    body = rest & ~in_line & in_the_air[np.maximum(label, 0)]
    height = np.sort(scene.height[body])
    if len(height) <= 2 * begins:
        return None
    there = height[height < height[begins] + 2.0 * cell]
    return _Carried(float(np.percentile(there, 5)), bool(in_the_air[size.argmax()]), body)


def _level_plane(scene: Standing, inside: BoolArray, face: BoolArray) -> FloatArray:
    """(3,) least squares through the cells of a nearly level face, grown from where it was found."""
    plan, height, cell = scene.plan[inside], scene.height[inside], scene.cell
    used = face[inside]
    level = np.array([0.0, 0.0, float(np.median(height[used]))])
    design = np.column_stack([plan, np.ones(len(plan))])
    slope = level
    for _ in range(5):
        if used.sum() < 12 or np.ptp(plan[used], axis=0).min() < 6.0 * cell:
            return level
        slope = np.linalg.lstsq(design[used], height[used], rcond=None)[0]
        off = np.abs(design @ slope - height)
        used = off < np.clip(3.0 * float(np.median(off[used])), 0.1 * cell, 0.5 * cell)
    return slope


def _lean(height: FloatArray, outside: FloatArray) -> float:
    """How far the walls move outwards or inwards from their foot to their top, millimetres."""
    centred = height - height.mean()
    spread = float(centred @ centred)
    slope = float(centred @ outside) / spread if spread > 0 else 0.0
    return abs(slope) * float(np.ptp(height))
