"""The part among what lies around it: pieces, the riser under it, what touches it, and how sure all that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.components import attach_fragments, choose_piece, in_own_axes
from pipeline.geometry.contact import parted, things
from pipeline.geometry.gauge import Gauge
from pipeline.geometry.riser import UPRIGHT, Riser, find_riser
from pipeline.geometry.voxels import Voxels, patches, voxels
from pipeline.part import BoolArray, FloatArray

CELL_IN_SPACINGS = 2.5
CELL_IN_NOISES = 4.0
FEWEST_AROUND = 8
"""Points in the 27 cells around one from which on a cell is surface."""


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
    if scene.height is None:
        chosen, uncertain = _without_support(scene, expected_size)
        keep = chosen[scene.cells.of_point]
        return _separation(points, keep, uncertain, 0.0, False, expected_size)
    assert support is not None
    at = points @ support[:3] + support[3]
    riser = _declared_riser(riser_height) if riser_height is not None else _riser(scene)
    chosen, uncertain = _on_support(scene, scene.height, riser, expected_size)
    keep = chosen[scene.cells.of_point]
    if riser is not None:
        plan = _plan(points[keep], support)
        keep[keep] = ~_of_riser(riser, plan, at[keep], scene.cells.cell, lengths.noise)
    elif riser_height is not None:
        keep &= at > riser_height
    top = riser.top if riser is not None else 0.0
    grounded = riser is None and bool(scene.height[chosen].min(initial=np.inf) < scene.floor)
    return _separation(points, keep, uncertain, top, grounded, expected_size)


def _scene(
    points: FloatArray, normals: NDArray[np.floating[Any]] | None, lengths: Gauge, support: FloatArray | None
) -> _Scene:
    cells = voxels(points, max(CELL_IN_SPACINGS * lengths.spacing, CELL_IN_NOISES * lengths.noise))
    height, plan = None, cells.centre
    if support is not None:
        height, plan = cells.centre @ support[:3] + support[3], _plan(cells.centre, support)
    if normals is not None:
        normal = np.stack([cells.total(normals[:, axis]) for axis in range(3)], axis=1)
    else:
        normal = _outward(cells, patches(cells, points).normal, support)
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), np.finfo(float).tiny)
    solid = np.asarray(cells.around @ cells.count) >= FEWEST_AROUND
    level = height is None or float(np.mean(height < 0.5 * cells.cell)) < 0.02
    return _Scene(cells, normal, plan, height, solid if solid.any() else ~solid, level)


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
    up = _up(scene)
    upright = np.abs(scene.normal[used] @ up) < UPRIGHT
    return find_riser(scene.plan[used], scene.height[used], upright, scene.level_ground, scene.cells.cell)


def _up(scene: _Scene) -> FloatArray:
    """The support's normal, from heights and places of the cells."""
    centre = scene.cells.centre - scene.cells.centre.mean(axis=0)
    assert scene.height is not None
    gradient = np.linalg.lstsq(centre, scene.height - scene.height.mean(), rcond=None)[0]
    up: FloatArray = gradient / max(float(np.linalg.norm(gradient)), np.finfo(float).tiny)
    return up


def _of_riser(riser: Riser, plan: FloatArray, height: FloatArray, cell: float, noise: float) -> BoolArray:
    """(n,) points of the riser among those of the piece it carries."""
    inside = riser.outside(plan) < 1.5 * cell
    margin = 4.0 * noise if riser.flush else 0.0
    mine: BoolArray = inside & (height < riser.top + margin)
    return mine


def _without_support(scene: _Scene, expected_size: Sequence[float] | None) -> tuple[BoolArray, list[Uncertain]]:
    cells = scene.cells
    _, label = cells.components()
    choice = choose_piece(cells, label, None, scene.plan, expected_size)
    reach = 0.15 * float(np.linalg.norm(np.ptp(cells.centre[choice.cells], axis=0)))
    everywhere = np.ones(len(cells), bool)
    chosen = attach_fragments(cells, label, choice.cells, everywhere, scene.plan, max(reach, 8.0 * cells.cell))
    uncertain = [Uncertain.RIVAL] if choice.rival > 0.3 and not chosen.all() else []
    return chosen, uncertain


def _on_support(
    scene: _Scene, height: FloatArray, riser: Riser | None, expected_size: Sequence[float] | None
) -> tuple[BoolArray, list[Uncertain]]:
    cells, uncertain = scene.cells, []
    usable = np.ones(len(cells), bool)
    carried = None
    top = 0.0
    if riser is not None:
        outside = riser.outside(scene.plan)
        usable = ~((outside < 1.5 * cells.cell) & (height < riser.top - 0.5 * cells.cell))
        carried = (outside < cells.cell) & (np.abs(height - riser.top) < 4.0 * cells.cell) & usable
        top = riser.top
    if not usable.any():
        usable[:] = True
    _, label = cells.components(usable)
    choice = choose_piece(cells, label, height, scene.plan, expected_size, carried)
    chosen = choice.cells
    floor = scene.floor if riser is None else max(scene.floor, 0.5 * top)
    touches_ground = riser is not None and bool((height[chosen] < floor).sum() > 3)
    if touches_ground or (riser is None and not scene.level_ground):
        chosen, clean = parted(cells, scene.normal, chosen, height, scene.plan, carried, floor, top)
        if riser is None:
            uncertain.append(Uncertain.COVERED)
        elif not clean:
            uncertain.append(Uncertain.TOUCHING)
    allowed = height > (floor if riser is not None or not scene.level_ground else -np.inf)
    reach = max(8.0 * cells.cell, 0.1 * float(np.linalg.norm(np.ptp(cells.centre[chosen], axis=0))))
    chosen = attach_fragments(cells, np.where(chosen, -1, label), chosen, allowed & ~chosen, scene.plan, reach)
    if choice.rival > 0.5:
        uncertain.append(Uncertain.RIVAL)
    if _overhangs(scene.plan, height, chosen, riser, scene.floor):
        uncertain.append(Uncertain.HELD)
    if _has_weak_seam(scene, chosen):
        uncertain.append(Uncertain.TOUCHING)
    return chosen, list(dict.fromkeys(uncertain))


def _overhangs(plan: FloatArray, height: FloatArray, chosen: BoolArray, riser: Riser | None, floor: float) -> bool:
    """Whether the piece would fall over as it stands: then something not seen, or not the part, holds it."""
    if not chosen.any():
        return False
    middle = plan[chosen].mean(axis=0)
    extent = float(np.linalg.norm(np.ptp(plan[chosen], axis=0)))
    if riser is not None:
        return len(riser.outline) > 1 and float(riser.outside(middle[None])[0]) > 0.2 * extent
    foot = chosen & (height < floor)
    if not foot.any():
        return False
    return bool(np.linalg.norm(middle - plan[foot].mean(axis=0)) > 0.35 * extent)


def _has_weak_seam(scene: _Scene, chosen: BoolArray) -> bool:
    """Whether what was kept still consists of two large things that only touch."""
    parts = things(scene.cells, scene.normal, chosen)
    area = np.bincount(parts.label[chosen])
    large = area >= 0.08 * chosen.sum()
    return any(large[one] and large[other] for one, other in parts.seams.tolist())


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
