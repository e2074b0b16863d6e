"""Looks at what was kept and what went, for what no single step of the separation can see.

None of these knows how the part was chosen. Each asks a plain question of the result: does it reach out of the
picture, would it fall, does something hang in the air beside it, are two things still joined by a neck.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.components import inside_hull
from pipeline.geometry.contact import loose_sides, things
from pipeline.geometry.riser import Riser, may_be_riser
from pipeline.geometry.sectors import SECTORS, filled_in, furthest, sector_of, share_around
from pipeline.geometry.standing import Standing
from pipeline.geometry.vectors import inner
from pipeline.geometry.walls import LEAST_RING, UPRIGHT
from pipeline.part import BoolArray, FloatArray

LARGE_THING = 0.12
"""Share of what was kept from which on a thing that only touches the rest raises the question what it is."""
LEAST_HANGING = 0.004
"""Share of what was kept from which on something that hangs in the air beside it raises the question."""
MOST_REACH = 0.63
"""How far towards the border of the picture the part may reach, over the way to that border."""
RIM_IN_CELLS = 2.0
LEAST_CLOSED = 0.25
"""Share of such a rim of the part that looks outward where it ends: of an end one cell high a third does."""
FEWEST_FURTHEST = 6
"""Cells that reach furthest in a direction: those beyond may be strays."""
MOST_OFF_BALANCE = 0.25
"""How far the part's middle may lie outside of what it stands on, over its extent."""
MOST_ONE_SIDED = 0.36
"""How much further the part may reach to one side of its riser than to the other, over its extent."""
LEAST_ASPECT = 0.25
"""Height over width from which on a block under the part is a riser without a question."""
LEAST_OVERHANG = 0.02
"""Share of what was kept that must lie outside the riser seen from above: else it may be the part's own foot."""
MOST_HIDDEN = 0.45
"""Share of the riser's height that paper or cloth may hide: else it may be the part's foot that stands in them."""
FLUSH_IN_CELLS = 0.3
"""Over a cut, a wall that stands back or out by more than this is not the one below it."""
NEXT_IN_CELLS = 2.5
"""So close over and under a cut, a wall that goes on through it is seen on both sides."""
FEWEST_RESTING = 8
"""Cells of the part over a column from which on it may rest there."""


class Uncertain(StrEnum):
    """What the data cannot decide."""

    RIVAL = "rival"
    SIZE = "size"
    TOUCHING = "touching"
    HELD = "held"
    COVERED = "covered"
    CLIPPED = "clipped"
    HANGING = "hanging"
    FOOT = "foot"
    CUT = "cut"


def doubts(
    scene: Standing, chosen: BoolArray, riser: Riser | None, outline: FloatArray | None, *, declared: bool
) -> list[Uncertain]:
    """What speaks against a separation.

    Parameters
    ----------
    chosen : (m,) cells kept for the part
    riser : what was taken for the riser
    outline : (k, 3) corners of the support as far as it was seen, or None
    declared : the ticket says how high the riser is
    """
    if chosen.sum() < 4:
        return [Uncertain.RIVAL]
    found = []
    if _reaches_out(scene, chosen, outline):
        found.append(Uncertain.CLIPPED)
    if _off_balance(scene, chosen, riser):
        found.append(Uncertain.HELD)
    if _hangs_beside(scene, chosen, riser):
        found.append(Uncertain.HANGING)
    if riser is not None:
        unsure = _may_be_its_foot(scene, chosen, riser)
    else:
        unsure = bool(scene.height[chosen].min() < scene.floor) and may_be_riser(scene, chosen)
    if unsure and not declared:
        found.append(Uncertain.FOOT)
    if riser is not None and riser.everywhere and (riser.rivals or _cuts_walls(scene, chosen, riser)):
        found.append(Uncertain.CUT)
    if _has_weak_seam(scene, chosen):
        found.append(Uncertain.TOUCHING)
    return found


def _reaches_out(scene: Standing, chosen: BoolArray, outline: FloatArray | None) -> bool:
    """Whether the part goes towards the border of all that was seen and ends open there, as an arm does."""
    middle = np.median(scene.plan[chosen], axis=0)
    seen = scene.plan[scene.solid] if outline is None else scene.seen(outline)
    if outline is None and scene.level_ground:
        return False
    border = furthest(filled_in(seen) - middle)
    border = np.maximum(border, np.median(border))
    far = furthest(scene.plan[chosen] - middle) > MOST_REACH * border
    return any(_ends_open(scene, chosen, middle, sector) for sector in np.flatnonzero(far).tolist())


def _ends_open(scene: Standing, chosen: BoolArray, middle: FloatArray, sector: int) -> bool:
    """Whether what was kept just ends in a direction, as it does at the border of a picture, with no face outward."""
    at = scene.plan[chosen] - middle
    away = np.hypot(at[:, 0], at[:, 1])
    there = (sector_of(at) - sector + 1) % SECTORS <= 2
    furthest_away = np.sort(away[there])[-FEWEST_FURTHEST:][0]
    rim = there & (away > furthest_away - RIM_IN_CELLS * scene.cell)
    outward = (at[rim] / away[rim, None]) @ scene.axes
    closed = np.einsum("ij,ij->i", scene.normal[chosen][rim], outward) > 0.5
    return float(closed.mean()) < LEAST_CLOSED


def _off_balance(scene: Standing, chosen: BoolArray, riser: Riser | None) -> bool:
    """Whether the part would fall over as it stands: then something not seen, or not the part, holds it."""
    if riser is None or riser.everywhere:
        return False
    plan = scene.plan[chosen]
    extent = float(np.linalg.norm(np.ptp(plan, axis=0)))
    beside = float(riser.outside(plan.mean(axis=0)[None, :])[0])
    reach = furthest(plan - riser.centre)
    one_sided = float(reach.max() - np.roll(reach, SECTORS // 2)[reach.argmax()])
    return beside > MOST_OFF_BALANCE * extent or one_sided > MOST_ONE_SIDED * extent


def _hangs_beside(scene: Standing, chosen: BoolArray, riser: Riser | None) -> bool:
    """Whether something that went hangs in the air close to the part, where nothing but the part could hold it."""
    rest = scene.solid & ~chosen
    number, label = scene.cells.components(rest)
    if number == 0:
        return False
    base = scene.height if riser is None else scene.height - np.maximum(riser.top(scene.plan), 0.0)
    lowest = np.full(number, np.inf)
    np.minimum.at(lowest, label[rest], base[rest])
    size = np.bincount(label[rest], minlength=number)
    hanging = (size >= max(LEAST_HANGING * chosen.sum(), 8)) & (
        lowest > (scene.floor if riser is None else -scene.cell)
    )
    if not hanging.any():
        return False
    reach = 0.15 * float(np.linalg.norm(np.ptp(scene.plan[chosen], axis=0)))
    at = rest & hanging[np.maximum(label, 0)]
    near = cKDTree(scene.cells.centre[chosen]).query(scene.cells.centre[at], distance_upper_bound=reach)[0]
    return bool(np.isfinite(near).any())


def _may_be_its_foot(scene: Standing, chosen: BoolArray, riser: Riser) -> bool:
    """Whether the riser may as well be the part's own foot: flat, or nowhere narrower than what it carries."""
    beyond = riser.outside(scene.plan[chosen]) > 1.5 * scene.cell
    contested = riser.contested or any(_rests_on(scene, chosen, riser, rival) for rival in riser.rivals)
    flat = riser.aspect < LEAST_ASPECT or riser.hidden > MOST_HIDDEN
    return contested or flat or float(beyond.mean()) < LEAST_OVERHANG


def _cuts_walls(scene: Standing, chosen: BoolArray, riser: Riser) -> bool:
    """Whether walls all round go on straight through the height at which a riser was told to end."""
    cell, clear = scene.cell, scene.height - riser.top(scene.plan)
    walls = scene.solid & (np.abs(scene.rise) < UPRIGHT) & (np.abs(clear) < NEXT_IN_CELLS * cell)
    over, under = walls & chosen & (clear > 0), walls & (clear < 0)
    if not over.any() or not under.any():
        return False
    away, nearest = cKDTree(scene.plan[under]).query(scene.plan[over], distance_upper_bound=cell)
    beside = np.flatnonzero(np.isfinite(away))
    step = (scene.plan[over][beside] - scene.plan[under][nearest[beside]]) @ scene.axes
    flush = np.abs(inner(step, scene.normal[over][beside])) < FLUSH_IN_CELLS * cell
    through = scene.plan[over][beside[flush]]
    return len(through) >= FEWEST_RESTING and share_around(through - through.mean(axis=0)) >= LEAST_RING


def _rests_on(scene: Standing, chosen: BoolArray, riser: Riser, rival: Riser) -> bool:
    """Whether the part may rest on another column than its riser: one that stands with it, or under the part."""
    if riser.outside(rival.centre[None, :])[0] < 0 or rival.outside(riser.centre[None, :])[0] < 0:
        return True
    over = chosen & (rival.outside(scene.plan) < 0) & (scene.height > rival.top(scene.plan) - scene.cell)
    return int(over.sum()) >= FEWEST_RESTING


def _has_weak_seam(scene: Standing, chosen: BoolArray) -> bool:
    """Whether what was kept still consists of two large things side by side that only touch."""
    for one, other in loose_sides(things(scene.cells, scene.normal, chosen), LARGE_THING):
        first, second = scene.plan[one], scene.plan[other]
        # What stands one upon the other, as foot and shaft do, may be joined where a shadow lies.
        if max(inside_hull(first, second).mean(), inside_hull(second, first).mean()) < 0.5:
            return True
    return False
