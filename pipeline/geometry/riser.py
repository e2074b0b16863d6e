"""The block or column a part was raised on: nothing but upright walls from the support up, then something else."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.spatial import ConvexHull, QhullError

from pipeline.geometry.standing import Standing
from pipeline.part import BoolArray, FloatArray

LEVEL = 0.9
"""Least share of a level face's normal that points up."""
UPRIGHT = 0.3
"""Largest share of a wall's normal that points up."""
LEAST_LEVELS = 5
LEAST_ASPECT = 0.15
"""A base plate is flatter than this, height over width; a riser is not."""
SUSPECT_ASPECT = 0.25
"""Height over width from which on the foot of a part that stands on the support may be a riser."""
LEAST_RING = 0.5
"""Share of the directions in which its walls must be seen."""
LEAST_ABOVE = 0.25
"""Cells over and around it that lie above its top, over those of it."""
LEAST_SPAN = 0.25
"""Share of its walls, from the support to its top, that must be seen."""
GOES_ON = 0.5
"""Cells of wall in a level, over those of the levels at its foot, while it goes on."""
LONG_EDGE = 0.03
"""Share of its outline from which on an edge of it always counts."""
QUIET = 0.15
"""Cells over those of a level of wall with which something else begins."""
SPECK = 8
"""Cells below which a piece is none."""
CLEARLY_MORE = 0.03
"""Share of the walls' cells by which another outline must hold more of them."""
IN_LINE = 0.7
"""How far from the line of the walls, in cells, a cell is at most one of theirs."""
THICK_IN_CELLS = 2.0
"""How far beside the outline there may be stray cells of the wall."""
WALL_IN_CELLS = 1.5
"""How far beside the outline a cell still is of the wall."""
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

    @property
    def everywhere(self) -> bool:
        """Nothing is known of it but its height."""
        return len(self.outline) == 1

    def outside(self, plan: FloatArray) -> FloatArray:
        """(n,) how far points (n, 2) lie outside the outline, negative inside, millimetres."""
        distance: FloatArray = (plan @ self.outline[:, :2].T + self.outline[:, 2]).max(axis=1)
        return distance

    def top(self, plan: FloatArray) -> FloatArray:
        """(n,) height of its top over points (n, 2), millimetres above the support."""
        height: FloatArray = plan @ self.slope[:2] + self.slope[2]
        return height


def declared_riser(height: float, centre: FloatArray) -> Riser:
    """A riser of which only the height is known: everything below goes, wherever it stands."""
    return Riser(np.array([0.0, 0.0, height]), np.array([[0.0, 0.0, -1.0]]), centre, True, 1.0, 0.0, 0.0, 0.0, False)


def find_riser(scene: Standing) -> Riser | None:
    """The riser in a scene, or None."""
    best: tuple[int, Riser] | None = None
    for columns, foot in _rings(scene):
        found = _judged(scene, columns, foot)
        if found is not None and (best is None or found[0] > best[0]):
            best = found
    return None if best is None else best[1]


def may_be_riser(scene: Standing, chosen: BoolArray) -> bool:
    """Whether the chosen cells, that stand on the support themselves, stand there on walls that carry the rest."""
    for columns, foot in _rings(scene):
        outline, width = _hull(columns), _narrowest(columns)
        if outline is None or len(columns) < 12 or _ring(columns - columns.mean(axis=0)) < LEAST_RING:
            continue
        riser = Riser(np.zeros(3), outline, columns.mean(axis=0), False, 0.0, 0.0, 0.0, 0.0, False)
        near = chosen & (np.abs(riser.outside(scene.plan)) < WALL_IN_CELLS * scene.cell)
        walls = near & (np.abs(scene.rise) < UPRIGHT)
        top = _wall_top(scene.height[walls], riser.outside(scene.plan)[walls], foot, scene.cell)
        carried = chosen & (scene.height > top + 2.0 * scene.cell)
        if top - foot >= max(LEAST_LEVELS * scene.cell, SUSPECT_ASPECT * width) and carried.sum() > 0.5 * walls.sum():
            return True
    return False


def _rings(scene: Standing) -> Iterator[tuple[FloatArray, float]]:
    """Rings of upright wall that begin at the support: (k, 2) middles of their columns, and their foot's height."""
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
    label, _ = ndimage.label(stands & (seen >= LEAST_LEVELS) & (start <= highest), structure=np.ones((3, 3), int))
    for ring, where in enumerate(ndimage.find_objects(label), 1):
        columns = np.argwhere(label[where] == ring) + [axis.start for axis in where]
        foot = float(np.median(start[where][label[where] == ring])) * cell
        yield (columns + 0.5) * 2.0 * cell + corner, foot


def _judged(scene: Standing, columns: FloatArray, foot: float) -> tuple[int, Riser] | None:
    cell, width = scene.cell, _narrowest(columns)
    if len(columns) < 6 or width < 2.0 * cell or _ring(columns - columns.mean(axis=0)) < LEAST_RING:
        return None
    upright = scene.solid & (np.abs(scene.rise) < UPRIGHT)
    low = upright & (scene.height < foot + (LEAST_LEVELS + 3) * cell)
    seed = np.zeros(len(low), bool)
    seed[low] = (np.abs(scene.plan[low][:, None, :] - columns).max(axis=2) <= cell).any(axis=1)
    outline = _hull(scene.plan[seed])
    if outline is None:
        return None
    riser = Riser(np.zeros(3), outline, columns.mean(axis=0), False, 0.0, 0.0, 0.0, 0.0, False)
    wall = upright & (np.abs(riser.outside(scene.plan)) < WALL_IN_CELLS * cell)
    wall_top = _wall_top(scene.height[wall], riser.outside(scene.plan)[wall], foot, cell)
    riser = _whole(scene, riser, seed, upright, wall_top)
    outside = riser.outside(scene.plan)
    wall = upright & (np.abs(outside) < WALL_IN_CELLS * cell)
    around = outside < max(4.0 * cell, 0.1 * width)
    thick = np.abs(outside) < THICK_IN_CELLS * cell
    line, width_of_line = _line(outside[wall & (scene.height < wall_top)], cell)
    in_line = upright & (np.abs(outside - line) < width_of_line)
    begins = _onset(scene, in_line, thick & (scene.height < wall_top + cell), around, foot, len(columns))
    if begins is None:
        return None
    onset, clear, body = begins
    inside = scene.solid & (outside < 0.0) & (scene.rise > LEVEL)
    face = inside & (np.abs(scene.height - onset) < 1.2 * cell)
    if not clear:
        # Something beside it reaches up to the part: its own top face, where the walls end, tells better.
        higher = inside & (np.abs(scene.height - wall_top) < 2.5 * cell)
        if higher.sum() >= max(3, 0.1 * len(columns)):
            onset, face = wall_top, higher
    # Something that stands on the ground, and yet over the walls, is neither the riser nor hangs clear of it;
    # and where the walls go on past what begins in the air, one of the two is not what it seems.
    between = scene.solid & around & (scene.height > wall_top + 2.0 * cell) & (scene.height < onset - 2.0 * cell)
    clear &= int((between & ~thick).sum()) < SPECK and onset > wall_top - LEAST_LEVELS * cell
    slope, flush = np.array([0.0, 0.0, onset]), int(face.sum()) >= max(3, int(0.1 * len(columns)))
    if flush:
        level = _level_plane(scene, inside, face)
        under = body & (scene.height < scene.plan @ level[:2] + level[2] - 0.8 * cell)
        # Nothing that rests on its top reaches below it; else the face is one of the part's own.
        flush = under.sum() <= QUIET * len(columns) + 3
        slope = level if flush else slope
    top = float(np.median(scene.height[face])) if flush else onset
    own = wall & (scene.height < top - cell) & (scene.height >= foot)
    above = int((scene.solid & (outside < 0.5 * width) & (scene.height > top + cell)).sum())
    if top < LEAST_ASPECT * width or above < LEAST_ABOVE * own.sum():
        return None
    if own.sum() < max(12.0, LEAST_SPAN * len(columns) * (top - foot) / cell):
        return None
    if _lean(scene.height[own], outside[own]) > MOST_LEAN * cell:
        return None
    return above, replace(
        riser,
        slope=slope,
        flush=flush,
        aspect=top / width,
        beside=line + width_of_line,
        sure=0.0 if flush else max(top - wall_top, 0.0) + cell,
        hidden=foot / top,
        contested=not clear,
    )


def _hull(plan: FloatArray) -> FloatArray | None:
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


def _whole(scene: Standing, riser: Riser, seed: BoolArray, upright: BoolArray, wall_top: float) -> Riser:
    """The riser with those of its walls that are seen less: what lies in a row with the others, and its top face."""
    cell, plan = scene.cell, scene.plan
    walls = upright & (scene.height < wall_top) | seed
    at = np.floor((plan[walls] - plan[walls].min(axis=0)) / (2.0 * cell)).astype(int)
    image = np.zeros(at.max(axis=0) + 1, bool)
    image[tuple(at.T)] = True
    label, _ = ndimage.label(ndimage.binary_dilation(image, np.ones((3, 3), bool)), structure=np.ones((3, 3), int))
    row = np.full(len(walls), -1)
    row[walls] = label[tuple(at.T)]
    grown = walls & np.isin(row, np.unique(row[seed]))
    level = scene.solid & (scene.rise > LEVEL) & (np.abs(scene.height - wall_top) < 1.2 * cell)
    _, piece = scene.cells.components(grown | level)
    face = level & np.isin(piece, np.unique(piece[grown]))
    # Low down paper may lie against the walls; higher up they stand alone.
    upper = grown & (scene.height > 0.5 * wall_top)
    best, most = riser, 0.0
    for corners in (seed | face, seed, grown | face, grown, upper | face, upper):
        outline = _hull(plan[corners])
        if outline is None:
            continue
        whole = replace(riser, outline=outline, centre=plan[corners].mean(axis=0))
        on_walls = float((np.abs(whole.outside(plan[grown])) < scene.cell).mean())
        if on_walls > most + CLEARLY_MORE:
            best, most = whole, on_walls
    return best


def _wall_top(height: FloatArray, outside: FloatArray, foot: float, cell: float) -> float:
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


def _onset(
    scene: Standing, wall: BoolArray, column: BoolArray, around: BoolArray, foot: float, columns: int
) -> tuple[float, bool, BoolArray] | None:
    """Height at which what stands on the walls begins, whether all of it hangs clear of the ground, and its cells.

    Without the walls, ``column``, the part is one or more pieces in the air over and around them.
    """
    cell, begins = scene.cell, int(QUIET * columns) + 3
    rest = scene.solid & ~column & (scene.height > foot)
    number, label = scene.cells.components(rest)
    over = rest & around & (scene.height > foot + LEAST_LEVELS * cell)
    if number == 0 or not over.any():
        return None
    lowest = np.full(number, np.inf)
    np.minimum.at(lowest, label[rest], scene.height[rest])
    size = np.bincount(label[over], minlength=number)
    in_the_air = (lowest > foot + LEAST_LEVELS * cell) & (size >= SPECK)
    clear = bool(in_the_air[size.argmax()])
    # All of such a piece counts, also where it reaches out far; but not walls that go on in a shadow.
    body = rest & ~wall & in_the_air[np.maximum(label, 0)]
    height = np.sort(scene.height[body])
    if len(height) <= 2 * begins:
        return None
    there = height[height < height[begins] + 2.0 * cell]
    return float(np.percentile(there, 5)), clear, body


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


def _ring(at: FloatArray) -> float:
    """Share of 24 directions around the origin in which there is something."""
    sector = np.floor((np.arctan2(at[:, 1], at[:, 0]) + np.pi) / (2.0 * np.pi) * 24).astype(int) % 24
    return len(np.unique(sector)) / 24


def _narrowest(outline: FloatArray) -> float:
    """Smallest width of an outline (k, 2) over all directions."""
    turn = np.pi * np.arange(36) / 36
    return float(np.ptp(outline @ np.stack([np.cos(turn), np.sin(turn)]), axis=0).min())
