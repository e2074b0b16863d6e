"""The rough ground that a cloth or crumpled paper makes of a table: no plane, yet everything stands on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.geometry.sectors import furthest
from pipeline.geometry.voxels import Voxels, patches, voxels
from pipeline.part import FloatArray

CELLS_ACROSS = 100
COARSE_ACROSS = 24
LEAST_AROUND = 0.5
MOST_BELOW = 0.02
SURE_RIM, SUSPECT_RIM = 0.75, 0.6
"""Share of its rim that looks up from which on a scene ends in ground, and may end in it: a part's own outline turns
down. Of parts without a table at most .52 (a nameplate), of crumpled paper at a noise of 0.2 mm at least .68."""
MOST_TURNED = 0.03
"""Share of its rim that looks down up to which a scene may end in ground: only what was seen from below turns under."""
LEAST_STANDING = 0.1
"""How far above the ground something must stand, against the width of the scene."""


@dataclass(frozen=True, eq=False)
class Ground:
    """What was found under a scene without a plane.

    Attributes
    ----------
    equation : (4,) the plane under a rough cover that reaches all round what stands on it, normal up; None without
    suspected : the scene ends all round in something that looks up, as ground does and hardly a part
    """

    equation: FloatArray | None
    suspected: bool


def rough_ground(points: FloatArray, normals: NDArray[np.floating[Any]] | None, spacing: float, noise: float) -> Ground:
    """Look for ground.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) out of the surfaces, or None
    spacing, noise : millimetres
    """
    low, high = np.percentile(points[:: max(1, len(points) // 50_000)], [1, 99], axis=0)
    extent = float(np.linalg.norm(high - low))
    cells = voxels(points, max(3.0 * spacing, 4.0 * noise, extent / CELLS_ACROSS))
    facing = _facing(cells, points, normals)
    up = _up(cells, facing, normals is not None)
    equation = None
    for _ in range(4):
        equation = _under(cells, up, extent)
        if equation is None:
            return Ground(None, False)
        up = equation[:3]
    assert equation is not None
    return _judged(cells, facing if normals is not None else np.abs(facing @ up)[:, None] * up, equation, extent)


def _facing(cells: Voxels, points: FloatArray, normals: NDArray[np.floating[Any]] | None) -> FloatArray:
    if normals is None:
        return patches(cells, points).normal
    mean = np.stack([cells.total(normals[:, axis]) for axis in range(3)], axis=1)
    unit: FloatArray = mean / np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), np.finfo(float).tiny)
    return unit


def _up(cells: Voxels, facing: FloatArray, oriented: bool) -> FloatArray:
    """The direction most of the surface looks; without oriented normals the one it is flattest along."""
    if oriented:
        mean = facing.mean(axis=0)
        up: FloatArray = mean / max(float(np.linalg.norm(mean)), np.finfo(float).tiny)
        return up
    centred = cells.centre - cells.centre.mean(axis=0)
    axis = np.linalg.eigh(centred.T @ centred)[1][:, 0]
    height = centred @ axis
    # What stands on the ground makes the tail on the upper side the longer one.
    return np.asarray(axis * np.sign(np.percentile(height, 99) + np.percentile(height, 1) + 1e-12))


def _under(cells: Voxels, up: FloatArray, extent: float) -> FloatArray | None:
    """Least squares through the undersides of the outer columns of the scene, those far above left out."""
    plan, height = _seen(cells, up), cells.centre @ up
    at = np.floor(plan / (extent / COARSE_ACROSS)).astype(int)
    at -= at.min(axis=0)
    column = at[:, 0] * (at[:, 1].max() + 1) + at[:, 1]
    order = np.lexsort((height, column))
    columns, first = np.unique(column[order], return_index=True)
    lowest = order[first]
    away = np.linalg.norm(plan[lowest] - np.median(plan, axis=0), axis=1)
    used = lowest[away > np.percentile(away, 50)]
    for _ in range(4):
        if len(used) < 12 or len(columns) < 24:
            return None
        centre = cells.centre[used].mean(axis=0)
        normal = np.linalg.eigh(np.cov((cells.centre[used] - centre).T))[1][:, 0]
        normal = normal * np.sign(normal @ up)
        residual = (cells.centre[used] - centre) @ normal
        used = used[residual <= max(2.0 * float(np.median(np.abs(residual))), 0.5 * cells.cell)]
    return np.append(normal, -normal @ centre)


def _judged(cells: Voxels, facing: FloatArray, equation: FloatArray, extent: float) -> Ground:
    up = equation[:3]
    height, plan = cells.centre @ up + equation[3], _seen(cells, equation[:3])
    if np.mean(height < -0.04 * extent) > MOST_BELOW:
        return Ground(None, False)
    at = np.floor(plan / (2.0 * cells.cell)).astype(int)
    at -= at.min(axis=0) - 2
    image = np.zeros(at.max(axis=0) + 3, bool)
    image[tuple(at.T)] = True
    filled = ndimage.binary_fill_holes(ndimage.binary_closing(image, iterations=2))
    rim = filled & ~ndimage.binary_erosion(filled, iterations=2)
    rise = (facing @ up)[rim[tuple(at.T)]]
    looks_up = float((rise > 0.6).mean())
    suspected = looks_up > SUSPECT_RIM and float((rise < -0.5).mean()) < MOST_TURNED
    if np.percentile(height, 99) < LEAST_STANDING * extent:
        return Ground(None, suspected)
    tall = height > 0.25 * np.percentile(height, 99)
    standing = plan[tall]
    middle = np.median(standing, axis=0)
    around = float((furthest(plan - middle) > 1.15 * furthest(standing - middle)).mean())
    return Ground(equation if looks_up > SURE_RIM and around >= LEAST_AROUND else None, suspected)


def _seen(cells: Voxels, up: FloatArray) -> FloatArray:
    plan: FloatArray = cells.centre @ np.linalg.svd(up[None, :])[2][1:].T
    return plan
