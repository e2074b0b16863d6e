"""The part among what lies around it: pieces, the riser under it, what touches it, and how sure all that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.components import attach_fragments, choose_piece, inside_hull
from pipeline.geometry.contact import parted
from pipeline.geometry.doubts import Uncertain, doubts
from pipeline.geometry.extent import oriented_extents
from pipeline.geometry.gauge import Gauge
from pipeline.geometry.riser import Riser, declared_riser, find_riser, level_top
from pipeline.geometry.sampling import point_spacing
from pipeline.geometry.standing import Standing, cells_of
from pipeline.geometry.walls import UPRIGHT
from pipeline.part import BoolArray, FloatArray

MOST_CRUMPLED = 0.42
"""A part that lies low and tilted over more than this share of its surface is taken to have paper at it."""
AGREED = 0.08
"""A riser that was found is the one declared when their heights differ by less than this share."""
ALL_UPRIGHT = 0.7
"""Share of what stands under a floating part that is upright when it is a riser, most of it in the part's shadow."""
ALL_OWN = 0.9
"""Share of what stands under or close to a part that has its paint when it is the part's."""
OWN_REACH = 0.15
"""How far from the part, over its extent, a piece of its own paint is its own."""
SIZE_SAMPLE = 20_000
MOST_VOLUME = 1.3
"""How much more than the box declared the smallest box around what was kept may hold."""
PIECE_POINTS, PIECE_SPACINGS = 9, 5.0
"""A piece of surface has so many points within so many spacings, the first among them."""
MOST_CROSSING = 3
"""Cells in which something may run on from the part past the riser's top, down beside the riser."""


@dataclass(frozen=True, eq=False)
class Separation:
    """What was kept for the part.

    Attributes
    ----------
    keep : (n,) bool
    uncertain : what could not be decided
    riser_height : millimetres, 0 when no riser was removed
    riser : (n,) bool, points removed that were taken for the riser's
    grounded : the part itself stands on the support, so that its lowest edge was cut with it
    contested : beside that riser something else reaches from the support to the part
    doubtful : (n,) bool, kept points no higher than what lies around, which may touch the part; None where nothing
        is known to lie there
    """

    keep: BoolArray
    uncertain: tuple[Uncertain, ...]
    riser_height: float
    riser: BoolArray
    grounded: bool
    contested: bool = False
    doubtful: BoolArray | None = None

    @property
    def confidence(self) -> float:
        """0 to 1: half for each thing that could not be decided."""
        return float(0.5 ** len(self.uncertain))


def standing_part(
    scene: Standing,
    points: FloatArray,
    normals: NDArray[np.floating[Any]] | None,
    lengths: Gauge,
    outline: FloatArray | None,
    expected_size: Sequence[float] | None,
    riser_height: float | None,
) -> Separation:
    """The part of a scene with a support.

    Parameters
    ----------
    points, normals : of the scene's cells; (n, 3) millimetres, (n, 3) out of the surface or None
    lengths : spacing and noise of the points
    outline : (k, 3) corners of the support as far as it was seen, or None
    expected_size : edge lengths of the part, millimetres, as declared
    riser_height : height of the riser above the support, millimetres, as declared
    """
    riser = find_riser(scene) if riser_height is None else _declared(scene, riser_height)
    chosen, uncertain = _on_ground(scene, expected_size) if riser is None else _on_riser(scene, riser, expected_size)
    if riser is not None and riser_height is None:
        # A column that carries next to nothing was none.
        whole, without = _on_ground(scene, expected_size)
        if chosen.sum() < 0.5 * (whole & (scene.height > riser.slope[2])).sum():
            riser, chosen, uncertain = None, whole, [Uncertain.RIVAL, *without]
    if scene.cleared is not None:
        chosen = _with_own(scene, chosen, scene.cleared.own, riser)
    uncertain = [*uncertain, *doubts(scene, chosen, riser, outline, declared=riser_height is not None)]
    keep = chosen[scene.cells.of_point]
    of_riser = np.zeros(len(points), bool)
    if riser is not None:
        facing_up = None if normals is None else normals @ scene.support[:3] > 0.5
        of_riser = _of_riser(scene, riser, points, facing_up, lengths.noise)
        keep &= ~of_riser
    grounded = riser is None and bool(scene.height[chosen].min(initial=np.inf) < scene.floor)
    top = float(np.median(riser.top(scene.plan[chosen]))) if riser is not None and chosen.any() else 0.0
    found = _separation(points, keep, list(dict.fromkeys(uncertain)), top, of_riser, grounded, expected_size)
    return replace(found, contested=riser is not None and riser.contested)


def _declared(scene: Standing, declared: float) -> Riser | None:
    """The riser that is seen, if it is the one declared; else a level cut at that height, or at a top seen about it."""
    if declared <= 0.0:
        return None
    seen, slack = find_riser(scene), max(AGREED * declared, scene.cell)
    if seen is not None and abs(seen.height - declared) < slack:
        return seen
    rivals = (seen,) if seen is not None and not seen.contested and seen.height < declared else ()
    top = None if scene.level_ground else level_top(scene, declared, slack)
    return declared_riser(declared if top is None else top, np.median(scene.plan, axis=0), rivals)


def _of_riser(
    scene: Standing, riser: Riser, points: FloatArray, facing_up: BoolArray | None, noise: float
) -> BoolArray:
    """(n,) points of the riser."""
    plan = scene.seen(points)
    clear = scene.above(points) - riser.top(plan)
    margin = np.full(len(points), 4.0 * noise if riser.flush else 0.0)
    if facing_up is not None:
        margin[~facing_up] = 0.0
    outside = riser.outside(plan)
    mine: BoolArray = (outside < 1.5 * scene.cell) & (clear < margin - riser.sure)
    return mine | ((outside < riser.beside) & (clear < margin))


def part_without_support(points: FloatArray, lengths: Gauge, expected_size: Sequence[float] | None) -> Separation:
    """The part where nothing tells it from clutter but size and place: only specks far off go."""
    cells = cells_of(points, lengths)
    _, label = cells.components()
    choice = choose_piece(cells, label, None, cells.centre, expected_size)
    reach = 0.3 * float(np.linalg.norm(np.ptp(cells.centre[choice.cells], axis=0)))
    away = np.asarray(cKDTree(cells.centre[choice.cells]).query(cells.centre)[0])
    nearest = np.full(int(label.max()) + 1, np.inf)
    np.minimum.at(nearest, label, away)
    size = np.bincount(label)
    chosen = ((nearest < reach) | (size >= 0.02 * choice.cells.sum()))[label]
    apart = (nearest >= reach) & (size >= 0.25 * choice.cells.sum())
    uncertain = [Uncertain.RIVAL] if apart.any() else []
    none = np.zeros(len(points), bool)
    return _separation(points, chosen[cells.of_point], uncertain, 0.0, none, False, expected_size)


def _on_riser(
    scene: Standing, riser: Riser, expected_size: Sequence[float] | None
) -> tuple[BoolArray, list[Uncertain]]:
    """What stands on the riser; everything below its top goes."""
    cells, uncertain = scene.cells, []
    clear, outside = scene.height - riser.top(scene.plan), riser.outside(scene.plan)
    usable = clear + np.where(outside > riser.beside, riser.sure, 0.0) > -0.5 * scene.cell
    if not usable.any():
        return np.ones(len(cells), bool), [Uncertain.RIVAL]
    number, label = cells.components(usable)
    # Whatever rests on the riser is the part, in however many pieces shadows have left it.
    resting = usable & (outside < 0.0) & (clear < 3.0 * scene.cell)
    rests = np.bincount(label[resting], minlength=number) >= 3
    if not riser.everywhere and rests.any():
        label = np.where(usable & rests[np.maximum(label, 0)], np.argmax(rests), label)
    choice = choose_piece(cells, label, np.maximum(clear, 0.0), scene.plan, expected_size, riser.centre)
    chosen = choice.cells
    if not riser.everywhere and rests.any():
        chosen = chosen | (label == np.argmax(rests))
    below = _running_on(scene, chosen, ~usable & (outside > 2.0 * scene.cell) & scene.solid, clear)
    if below.any():
        floor = max(scene.floor, 0.5 * riser.height)
        piece = chosen | below
        chosen, sure = parted(cells, scene.normal, piece, scene.height, scene.plan, riser.centre, floor, riser.height)
        chosen = chosen & usable
        if not sure:
            uncertain.append(Uncertain.TOUCHING)
    others = np.where(chosen | choice.cells, -1, label)
    reach = max(8.0 * scene.cell, 0.1 * _extent(cells.centre[chosen])) if chosen.any() else 0.0
    chosen = attach_fragments(cells, others, chosen, clear > 0.0, scene.plan, reach)
    return chosen, [Uncertain.RIVAL, *uncertain] if choice.in_doubt(chosen) else uncertain


def _running_on(scene: Standing, chosen: BoolArray, below: BoolArray, clear: FloatArray) -> BoolArray:
    """(m,) cells below the cut, beside the riser, of what runs on there from the chosen ones."""
    number, label = scene.cells.components(below)
    first, second = scene.cells.pairs
    down = np.concatenate([label[second[chosen[first] & below[second]]], label[first[chosen[second] & below[first]]]])
    deepest = np.full(number, np.inf)
    np.minimum.at(deepest, label[below], clear[below])
    runs = (np.bincount(down, minlength=number) > MOST_CROSSING) & (deepest < -2.5 * scene.cell)
    running: BoolArray = below & runs[np.maximum(label, 0)] if number else below
    return running


def _on_ground(scene: Standing, expected_size: Sequence[float] | None) -> tuple[BoolArray, list[Uncertain]]:
    """The part that stands on the table or the ground itself."""
    cells, uncertain = scene.cells, []
    _, label = cells.components()
    choice = choose_piece(cells, label, scene.height, scene.plan, expected_size)
    chosen = choice.cells
    if not scene.level_ground and scene.cleared is None:
        uncertain.append(Uncertain.COVERED)
    elif scene.cleared is None and _crumpled_share(scene, chosen) > MOST_CRUMPLED:
        chosen, _ = parted(cells, scene.normal, chosen, scene.height, scene.plan, None, scene.floor, 0.0)
        uncertain.append(Uncertain.TOUCHING)
    floats = bool(scene.height[chosen].min(initial=np.inf) > scene.floor)
    allowed = scene.height > (-np.inf if scene.level_ground and not floats else scene.floor)
    reach = max(8.0 * scene.cell, 0.1 * _extent(cells.centre[chosen])) if chosen.any() else 0.0
    others = np.where(chosen | choice.cells, -1, label)
    chosen = attach_fragments(cells, others, chosen, allowed, scene.plan, reach)
    if floats and scene.level_ground:
        under = _under(scene, chosen)
        if under.sum() < 12 and not (scene.cleared is not None and scene.cleared.raised):
            uncertain.append(Uncertain.HELD)
        elif under.sum() >= 12:
            upright = (np.abs(scene.rise[under]) < UPRIGHT).mean() >= ALL_UPRIGHT
            own = scene.cleared is not None and scene.cleared.own[under].mean() > ALL_OWN
            if own or not upright:
                # More than the walls of a riser: a foot that shadows have cut off.
                chosen = chosen | under
            if own == upright:
                uncertain.append(Uncertain.FOOT)
    return chosen, [Uncertain.RIVAL, *uncertain] if choice.in_doubt(chosen) else uncertain


def _with_own(scene: Standing, chosen: BoolArray, own: BoolArray, riser: Riser | None) -> BoolArray:
    """The chosen cells and the pieces close by that have the part's own paint: clutter had hidden what lay between."""
    rest = scene.solid & ~chosen
    if riser is not None:
        rest &= scene.height > riser.top(scene.plan)
    number, label = scene.cells.components(rest)
    if number == 0 or not chosen.any():
        return chosen
    away = np.asarray(cKDTree(scene.cells.centre[chosen]).query(scene.cells.centre[rest])[0])
    nearest = np.full(number, np.inf)
    np.minimum.at(nearest, label[rest], away)
    painted = np.bincount(label[rest & own], minlength=number) > ALL_OWN * np.bincount(label[rest], minlength=number)
    belongs = painted & (nearest < OWN_REACH * _extent(scene.plan[chosen]))
    return np.asarray(chosen | (rest & belongs[np.maximum(label, 0)]))


def _under(scene: Standing, chosen: BoolArray) -> BoolArray:
    """(m,) what stands on the table under a floating part."""
    under: BoolArray = ~chosen & scene.solid & (scene.height < scene.height[chosen].min())
    under[under] = inside_hull(scene.plan[chosen], scene.plan[under])
    return under


def _extent(points: FloatArray) -> float:
    return float(np.linalg.norm(np.ptp(points, axis=0)))


def _crumpled_share(scene: Standing, chosen: BoolArray) -> float:
    """Share of a piece that lies low and tilted, neither level nor upright, as paper does and few parts do."""
    rise = np.abs(scene.rise[chosen])
    low = scene.height[chosen] < 0.5 * np.percentile(scene.height[chosen], 99)
    return float((low & (rise > 0.3) & (rise < 0.95)).mean())


def _separation(
    points: FloatArray,
    keep: BoolArray,
    uncertain: list[Uncertain],
    riser_height: float,
    riser: BoolArray,
    grounded: bool,
    expected_size: Sequence[float] | None,
) -> Separation:
    if expected_size is not None and not _size_fits(points[keep], expected_size):
        uncertain = [*uncertain, Uncertain.SIZE]
    return Separation(keep, tuple(uncertain), riser_height, riser, grounded)


def _size_fits(points: FloatArray, expected: Sequence[float]) -> bool:
    """Whether what was kept can be the part declared, or what one side shows of it.

    No piece of the part needs a larger box than the part does, and the longest side is hardly ever hidden. Strays are
    no piece, but one alone can make the box half as large again.
    """
    if len(points) <= PIECE_POINTS:
        return False
    tree = cKDTree(points)
    near = tree.query(points, k=[PIECE_POINTS], distance_upper_bound=PIECE_SPACINGS * point_spacing(points, tree))[0]
    points = points[np.isfinite(near[:, 0])]
    found = oriented_extents(points[:: max(1, len(points) // SIZE_SAMPLE)])
    if not 0.67 * max(expected) < found.max() < 1.33 * float(np.linalg.norm(expected)):
        return False
    return len(expected) < 3 or float(np.prod(found)) < MOST_VOLUME * float(np.prod(expected))
