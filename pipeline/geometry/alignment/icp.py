"""Coarse poses settled onto the other side, many at once, by look-ups on its grid: good to a fraction of a voxel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from pipeline.geometry.alignment.field import Field
from pipeline.geometry.alignment.rigid import moved_by_each, rigid, turned_by_each
from pipeline.geometry.alignment.side import Side, spread
from pipeline.geometry.vectors import dot
from pipeline.geometry.weights import tukey
from pipeline.part import BoolArray, FloatArray

ROUGH_SAMPLES, ROUGH_VOXELS = 160, (3.0, 2.5, 2.0, 1.5, 1.2)
SAMPLES = 700
REACHES_VOXELS = (2.5, 2.0, 1.5, 1.2, 1.0, 0.8, 0.7)
FEWEST = 0.04
"""Share of the samples that must find a counterpart; a pose with fewer stays as it is."""
LOOKS_AT_ONCE = 200_000


def settled(
    moving: Side,
    fixed: Field,
    poses: FloatArray,
    samples: int = SAMPLES,
    reaches_voxels: Sequence[float] = REACHES_VOXELS,
) -> FloatArray:
    """Iterated closest points with the symmetric point-to-plane objective (Rusinkiewicz 2019) and Tukey's weight.

    The correspondent is the nearest sample among those that face the same way, so that the other face of a thin
    wall is never taken.

    Parameters
    ----------
    poses : (m, 4, 4) ``fixed_from_moving``
    reaches_voxels : how far correspondents may be, in turn
    """
    chosen = spread(moving, samples)
    points, normals = moving.points[chosen], moving.normals[chosen]
    poses = np.array(poses)
    step = max(1, LOOKS_AT_ONCE // len(chosen))
    for start in range(0, len(poses), step):
        part = poses[start : start + step]
        for reach in reaches_voxels:
            part = _round(points, normals, fixed, part, reach * fixed.voxel)
        poses[start : start + step] = part
    return poses


def _round(points: FloatArray, normals: FloatArray, fixed: Field, poses: FloatArray, reach: float) -> FloatArray:
    at, facing = moved_by_each(poses, points), turned_by_each(poses, normals)
    index, _ = fixed.look(at, facing)
    place, outward = fixed.sample(index)
    offset = at - place
    near = (index >= 0) & (dot(facing, outward) > 0.5)
    near &= dot(offset, offset) < (2 * reach) ** 2
    normal = facing + outward
    normal /= np.maximum(np.sqrt(dot(normal, normal)), 1e-12)
    return _stepped(poses, at, offset, normal, near, reach)


def _stepped(
    poses: FloatArray, at: FloatArray, offset: FloatArray, normal: FloatArray, near: BoolArray, reach: float
) -> FloatArray:
    """Each of m poses moved by the step that its own near samples ask for; all else (3, m, n), axis by axis."""
    count = near.sum(axis=1)
    height = dot(offset, normal)
    weight = tukey(height, reach) * near
    centre = (at * near).sum(axis=2) / np.maximum(count, 1)
    arm = at - centre[..., None]
    length = (np.abs(arm) * near).sum(axis=(0, 2)) / np.maximum(3 * count, 1) + 1e-9
    x, y, z = arm / length[:, None]
    a, b, c = normal
    rows = np.stack([y * c - z * b, z * a - x * c, x * b - y * a, a, b, c], axis=1)  # (m, 6, n)
    weighted = rows * weight[:, None]
    matrix = np.matmul(weighted, np.swapaxes(rows, 1, 2))
    ridge = 1e-4 * np.trace(matrix, axis1=1, axis2=2) / 6 + 1e-12
    matrix[:, range(6), range(6)] += ridge[:, None]
    twist = -np.linalg.solve(matrix, np.matmul(weighted, height[..., None]))[..., 0]
    turn = Rotation.from_rotvec(twist[:, :3] / length[:, None]).as_matrix()
    about = centre.T + twist[:, 3:] - np.einsum("mij,jm->mi", turn, centre)
    stepped = np.matmul(rigid(turn, about), poses)
    enough = count >= max(8.0, FEWEST * near.shape[1])
    return np.where(enough[:, None, None], stepped, poses)
