"""One coarse pose settled onto the other side, by look-ups on its grid: quick, good to a fraction of a voxel."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.alignment.field import Field
from pipeline.geometry.alignment.rigid import moved, nearest_rigid, twisted
from pipeline.geometry.alignment.side import Side
from pipeline.geometry.cloud import unit
from pipeline.part import FloatArray

SAMPLES = 900
REACHES_VOXELS = (3.0, 2.5, 2.0, 1.5, 1.2, 1.0, 0.8, 0.7)


def settled(moving: Side, fixed: Field, fixed_from_moving: FloatArray) -> FloatArray:
    """Iterated closest points with the symmetric point-to-plane objective (Rusinkiewicz 2019) and Tukey's weight.

    The correspondent is the nearest sample among those that face the same way, so that the other face of a thin
    wall is never taken.
    """
    step = max(1, len(moving) // SAMPLES)
    points, normals = moving.points[::step], moving.normals[::step]
    pose = fixed_from_moving
    for reach in REACHES_VOXELS:
        at, facing = moved(pose, points), normals @ pose[:3, :3].T
        index, _ = fixed.look(at, facing)
        target, outward = fixed.side.points[index], fixed.side.normals[index]
        offset = at - target
        near = (index >= 0) & (np.einsum("ni,ni->n", facing, outward) > 0.5)
        near &= np.einsum("ni,ni->n", offset, offset) < (2 * reach * fixed.voxel) ** 2
        if near.sum() < 20:
            return pose
        pose = nearest_rigid(
            _step(at[near], offset[near], unit(facing[near] + outward[near]), reach * fixed.voxel) @ pose
        )
    return pose


def _step(at: FloatArray, offset: FloatArray, normal: FloatArray, reach: float) -> FloatArray:
    height = np.einsum("ni,ni->n", offset, normal)
    weight = tukey(height, reach)
    centre = at.mean(axis=0)
    length = max(float(np.abs(at - centre).mean()), 1e-9)
    rows = np.hstack([np.cross((at - centre) / length, normal), normal])
    matrix = (rows * weight[:, None]).T @ rows
    matrix[range(6), range(6)] += 1e-4 * np.trace(matrix) / 6 + 1e-12
    twist = -np.linalg.solve(matrix, rows.T @ (weight * height))
    twist[:3] /= length
    step = twisted(twist)
    step[:3, 3] += centre - step[:3, :3] @ centre
    return step


def tukey(residual: FloatArray, reach: float) -> FloatArray:
    """Tukey's biweight: 1 at zero, 0 from ``reach`` on."""
    return np.asarray(np.maximum(1 - (residual / reach) ** 2, 0.0) ** 2, np.float64)
