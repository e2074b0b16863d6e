"""A stripped scene sorted into cells, with what is up, how high each stands, and what looks up or stands upright."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.gauge import Gauge
from pipeline.geometry.voxels import Voxels, patches, voxels
from pipeline.part import BoolArray, FloatArray

CELL_IN_SPACINGS = 2.5
CELL_IN_NOISES = 4.0
FEWEST_AROUND = 4
"""Points in the 27 cells around one from which on a cell is surface."""
FLOOR_IN_CELLS = 4.0


@dataclass(frozen=True, eq=False)
class Cleared:
    """What the colours told of a scene from which clutter was cleared away.

    Attributes
    ----------
    height : up to which clutter that stands on the ground touched what is left, millimetres
    own : (m,) cells that have the part's own paint
    raised : a riser was cleared away with it, so that the part now hangs in the air
    """

    height: float
    own: BoolArray
    raised: bool


@dataclass(frozen=True, eq=False)
class Standing:
    """What stands on a support, in cells.

    Attributes
    ----------
    cells : of the cloud
    normal : (m, 3) unit normals out of the surface
    support : (4,) the plane everything stands on, normal up
    axes : (2, 3) the plan's axes
    plan : (m, 2) seen along the support's normal, millimetres
    height : (m,) above the support, millimetres
    solid : (m,) cells that are surface
    level_ground : the support is a plain board that was stripped; else its rough cover is still there
    cleared : what is known of the clutter that was cleared away and of what is left; None where none was
    """

    cells: Voxels
    normal: FloatArray
    support: FloatArray
    axes: FloatArray
    plan: FloatArray
    height: FloatArray
    solid: BoolArray
    level_ground: bool
    cleared: Cleared | None = None

    @property
    def cell(self) -> float:
        return self.cells.cell

    @property
    def floor(self) -> float:
        """Height below which a cell stands on the support."""
        return FLOOR_IN_CELLS * self.cell

    @property
    def rise(self) -> FloatArray:
        """(m,) share of each normal that points up."""
        up: FloatArray = self.normal @ self.support[:3]
        return up

    def seen(self, points: FloatArray) -> FloatArray:
        """(n, 2) points seen along the support's normal."""
        plan: FloatArray = points @ self.axes.T
        return plan

    def above(self, points: FloatArray) -> FloatArray:
        """(n,) height of points above the support."""
        height: FloatArray = points @ self.support[:3] + self.support[3]
        return height


def cells_of(points: FloatArray, lengths: Gauge) -> Voxels:
    """Cells in which neighbouring points of a surface touch."""
    return voxels(points, max(CELL_IN_SPACINGS * lengths.spacing, CELL_IN_NOISES * lengths.noise))


def standing(
    cells: Voxels, points: FloatArray, normals: NDArray[np.floating[Any]] | None, support: FloatArray
) -> Standing:
    """The scene on a support.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) out of the surface, or None
    support : (4,) the plane everything stands on, normal up
    """
    axes = np.linalg.svd(support[None, :3])[2][1:]
    height = cells.centre @ support[:3] + support[3]
    if normals is not None:
        normal = np.stack([cells.total(normals[:, axis]) for axis in range(3)], axis=1)
    else:
        normal = _outward(cells, patches(cells, points).normal, support[:3])
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), np.finfo(float).tiny)
    solid = np.asarray(cells.around @ cells.count) >= FEWEST_AROUND
    # Where a board was stripped, nothing is left at or below it.
    level = float(np.mean(height <= 0.0)) < 0.001
    return Standing(
        cells, normal, support, axes, cells.centre @ axes.T, height, solid if solid.any() else ~solid, level
    )


def _outward(cells: Voxels, normal: FloatArray, up: FloatArray) -> FloatArray:
    """Normals turned away from the middle of the scene, and up: what a scanner sees from outside and above."""
    away = cells.centre - np.median(cells.centre, axis=0)
    away = away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), np.finfo(float).tiny)
    away = away + 2.0 * up
    turned: FloatArray = normal * np.where(np.einsum("ij,ij->i", normal, away) < 0, -1.0, 1.0)[:, None]
    return turned
