"""The part among what lies around it: pieces, the riser under it, what touches it, and how sure all that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.components import attach_fragments, choose_piece, in_own_axes, inside_hull
from pipeline.geometry.contact import parted, things
from pipeline.geometry.gauge import Gauge
from pipeline.geometry.riser import LEVEL, UPRIGHT, Riser, find_riser
from pipeline.geometry.voxels import Voxels, patches, voxels
from pipeline.part import BoolArray, FloatArray

CELL_IN_SPACINGS = 2.5
CELL_IN_NOISES = 4.0
FEWEST_AROUND = 4
"""Points in the 27 cells around one from which on a cell is surface."""
MOST_CRUMPLED = 0.42
"""A part that lies low and tilted over more than this share of its surface is taken to have paper at it."""
LARGE_THING = 0.12
"""Share of what was kept from which on a thing that only touches the rest raises the question what it is."""


class Uncertain(StrEnum):
    """What the data cannot decide."""

    RIVAL = "rival"
    SIZE = "size"
    TOUCHING = "touching"
    HELD = "held"
    COVERED = "covered"


@dataclass(frozen=True, eq=False)
class Separation:
    """What was kept for the part.

    Attributes
    ----------
    keep : (n,) bool
    confidence : 0 to 1
    uncertain : what could not be decided
    riser_height : millimetres, 0 when no riser was removed
    grounded : the part itself stands on the support, so that its lowest edge was cut with it
    """

    keep: BoolArray
    confidence: float
    uncertain: tuple[Uncertain, ...]
    riser_height: float
    grounded: bool


@dataclass(frozen=True, eq=False)
class _Scene:
    """A cloud in cells, with what is up and how high."""

    cells: Voxels
    normal: FloatArray
    up: FloatArray
    plan: FloatArray
    height: FloatArray | None
    solid: BoolArray
    level_ground: bool

    @property
    def floor(self) -> float:
        """Height below which a cell stands on the support."""
        return 4.0 * self.cells.cell


def separate(
    points: FloatArray,
    normals: NDArray[np.floating[Any]] | None,
    lengths: Gauge,
    support: FloatArray | None,
    *,
    expected_size: Sequence[float] | None = None,
    riser_height: float | None = None,
) -> Separation:
    """Keep the part's points.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) out of the surface, or None
    lengths : spacing and noise of the points
    support : (4,) the plane everything stands on, normal up; None when there is none
    expected_size : edge lengths of the part, millimetres, as declared
    riser_height : height of the riser above the support, millimetres, as declared
    """
    scene = _scene(points, normals, lengths, support)
    if scene.height is None or support is None:
        chosen, uncertain = _without_support(scene, expected_size)
        return _separation(points, chosen[scene.cells.of_point], uncertain, 0.0, False, expected_size)
    at = points @ support[:3] + support[3]
    riser = _riser(scene) if riser_height is None else _declared_riser(riser_height)
    chosen, uncertain = _on_support(scene, scene.height, riser, expected_size)
    if riser is not None and Uncertain.RIVAL in uncertain and riser_height is None:
        # A column that carries next to nothing was none.
        whole, without = _on_support(scene, scene.height, None, expected_size)
        if chosen.sum() < 0.5 * (whole & (scene.height > riser.top)).sum():
            riser, chosen, uncertain = None, whole, [Uncertain.RIVAL, *without]
    keep = chosen[scene.cells.of_point]
    if riser is not None:
        keep[keep] = ~_of_riser(riser, _plan(points[keep], support), at[keep], scene.cells.cell, lengths)
    grounded = riser is None and bool(scene.height[chosen].min(initial=np.inf) < scene.floor)
    top = riser.top if riser is not None else 0.0
    return _separation(points, keep, list(dict.fromkeys(uncertain)), top, grounded, expected_size)


def _scene(
    points: FloatArray, normals: NDArray[np.floating[Any]] | None, lengths: Gauge, support: FloatArray | None
) -> _Scene:
    cells = voxels(points, max(CELL_IN_SPACINGS * lengths.spacing, CELL_IN_NOISES * lengths.noise))
    height, plan, up = None, cells.centre, np.zeros(3)
    if support is not None:
        height, plan, up = cells.centre @ support[:3] + support[3], _plan(cells.centre, support), support[:3]
    if normals is not None:
        normal = np.stack([cells.total(normals[:, axis]) for axis in range(3)], axis=1)
    else:
        normal = _outward(cells, patches(cells, points).normal, support)
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), np.finfo(float).tiny)
    solid = np.asarray(cells.around @ cells.count) >= FEWEST_AROUND
    # Where a board was stripped, nothing is left at or below it.
    level = height is None or float(np.mean(height <= 0.0)) < 0.001
    return _Scene(cells, normal, up, plan, height, solid if solid.any() else ~solid, level)


def _plan(points: FloatArray, support: FloatArray) -> FloatArray:
    seen: FloatArray = points @ np.linalg.svd(support[None, :3])[2][1:].T
    return seen


def _outward(cells: Voxels, normal: FloatArray, support: FloatArray | None) -> FloatArray:
    """Normals turned away from the middle of the scene, and up: what a scanner sees from outside and above."""
    away = cells.centre - np.median(cells.centre, axis=0)
    away = away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), np.finfo(float).tiny)
    if support is not None:
        away = away + 2.0 * support[:3]
    turned: FloatArray = normal * np.where(np.einsum("ij,ij->i", normal, away) < 0, -1.0, 1.0)[:, None]
    return turned


def _declared_riser(height: float) -> Riser | None:
    """Everything below the declared height goes, wherever it stands."""
    return Riser(height, np.array([[0.0, 0.0, -1.0]]), True) if height > 0 else None


def _riser(scene: _Scene) -> Riser | None:
    assert scene.height is not None
    used = scene.solid
    rise = scene.normal[used] @ scene.up
    return find_riser(
        scene.plan[used],
        scene.height[used],
        np.abs(rise) < UPRIGHT,
        rise > LEVEL,
        scene.level_ground,
        scene.cells.cell,
    )


def _of_riser(riser: Riser, plan: FloatArray, height: FloatArray, cell: float, lengths: Gauge) -> BoolArray:
    """(n,) points of the riser among those of the piece it carries."""
    inside = riser.outside(plan) < 1.5 * cell
    margin = 4.0 * lengths.noise if riser.flush else 0.0
    mine: BoolArray = inside & (height < riser.top + margin)
    return mine


def _without_support(scene: _Scene, expected_size: Sequence[float] | None) -> tuple[BoolArray, list[Uncertain]]:
    """Nothing tells part from clutter but size and place: only specks far off go."""
    cells = scene.cells
    _, label = cells.components()
    choice = choose_piece(cells, label, None, scene.plan, expected_size)
    reach = 0.3 * float(np.linalg.norm(np.ptp(cells.centre[choice.cells], axis=0)))
    away = np.asarray(cKDTree(cells.centre[choice.cells]).query(cells.centre, workers=-1)[0])
    nearest = np.full(int(label.max()) + 1, np.inf)
    np.minimum.at(nearest, label, away)
    size = np.bincount(label)
    chosen = ((nearest < reach) | (size >= 0.02 * choice.cells.sum()))[label]
    apart = (nearest >= reach) & (size >= 0.25 * choice.cells.sum())
    return chosen, [Uncertain.RIVAL] if apart.any() else []


def _on_support(
    scene: _Scene, height: FloatArray, riser: Riser | None, expected_size: Sequence[float] | None
) -> tuple[BoolArray, list[Uncertain]]:
    cells, uncertain = scene.cells, []
    usable = np.ones(len(cells), bool)
    floor, top, centre = scene.floor, 0.0, None
    if riser is not None:
        outside = riser.outside(scene.plan)
        column = (outside < 1.5 * cells.cell) & (height < riser.top - 0.5 * cells.cell)
        # Below the top beside the column there may be more of it, where its outline was seen only in part.
        usable = ~(column | ((outside < 4.0 * cells.cell) & (height < riser.top - 2.0 * cells.cell)))
        top = riser.top
        floor = max(floor, 0.5 * top)
        centre = scene.plan[column].mean(axis=0) if column.any() and len(riser.outline) > 1 else None
    if not usable.any():
        usable[:] = True
    _, label = cells.components(usable)
    choice = choose_piece(cells, label, height, scene.plan, expected_size, floor if riser is not None else None)
    chosen = choice.cells
    if choice.rival > 0.5:
        uncertain.append(Uncertain.RIVAL)
    lowest = float(height[chosen].min())
    if riser is not None and (height[chosen] < floor).sum() > 3:
        chosen, sure = parted(cells, scene.normal, chosen, height, scene.plan, centre, floor, top)
        if not sure:
            uncertain.append(Uncertain.TOUCHING)
    elif riser is None and not scene.level_ground:
        uncertain.append(Uncertain.COVERED)
    elif riser is None and _crumpled_share(scene, height, chosen) > MOST_CRUMPLED:
        chosen, _ = parted(cells, scene.normal, chosen, height, scene.plan, None, floor, 0.0)
        uncertain.append(Uncertain.TOUCHING)
    keeps_clear = riser is not None or not scene.level_ground
    allowed = height > (floor if keeps_clear else -np.inf)
    reach = max(8.0 * cells.cell, 0.1 * float(np.linalg.norm(np.ptp(cells.centre[chosen], axis=0))))
    others = np.where(chosen | choice.cells, -1, label)
    chosen = attach_fragments(cells, others, chosen, allowed, scene.plan, reach)
    lowest = min(lowest, float(height[chosen].min()))
    if (riser is None and scene.level_ground and lowest > floor) or _overhangs(scene.plan, height, chosen, centre):
        uncertain.append(Uncertain.HELD)
    if _has_weak_seam(scene, chosen):
        uncertain.append(Uncertain.TOUCHING)
    return chosen, uncertain


def _crumpled_share(scene: _Scene, height: FloatArray, chosen: BoolArray) -> float:
    """Share of a piece that lies low and tilted, neither level nor upright, as paper does and few parts do."""
    rise = np.abs(scene.normal[chosen] @ scene.up)
    low = height[chosen] < 0.5 * np.percentile(height[chosen], 99)
    return float((low & (rise > 0.3) & (rise < 0.95)).mean())


def _overhangs(plan: FloatArray, height: FloatArray, chosen: BoolArray, centre: FloatArray | None) -> bool:
    """Whether the piece would fall over as it stands: then something not seen, or not the part, holds it."""
    middle = plan[chosen].mean(axis=0)
    extent = float(np.linalg.norm(np.ptp(plan[chosen], axis=0)))
    return centre is not None and float(np.linalg.norm(middle - centre)) > 0.35 * extent


def _has_weak_seam(scene: _Scene, chosen: BoolArray) -> bool:
    """Whether what was kept still consists of two large things side by side that only touch."""
    parts = things(scene.cells, scene.normal, chosen)
    area = np.bincount(parts.label[chosen])
    large = area >= LARGE_THING * chosen.sum()
    for one, other in parts.seams.tolist():
        if large[one] and large[other]:
            small, big = (one, other) if area[one] < area[other] else (other, one)
            within = inside_hull(scene.plan[parts.label == big], scene.plan[parts.label == small])
            if within.mean() < 0.5:
                return True
    return False


def _separation(
    points: FloatArray,
    keep: BoolArray,
    uncertain: list[Uncertain],
    riser_height: float,
    grounded: bool,
    expected_size: Sequence[float] | None,
) -> Separation:
    if expected_size is not None and not _size_fits(points[keep], expected_size):
        uncertain = [*uncertain, Uncertain.SIZE]
    return Separation(keep, 0.5 ** len(uncertain), tuple(uncertain), riser_height, grounded)


def _size_fits(points: FloatArray, expected: Sequence[float]) -> bool:
    """Whether the longest extent lies between the largest edge and the diagonal declared, give or take a third."""
    if len(points) < 4:
        return False
    found = float(np.ptp(in_own_axes(points), axis=0).max())
    return 0.67 * max(expected) < found < 1.33 * float(np.linalg.norm(expected))
