"""Rigid motions, one or many at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from pipeline.part import FloatArray


def rigid(rotation: FloatArray, translation: ArrayLike) -> FloatArray:
    """(..., 4, 4) from (..., 3, 3) and (..., 3)."""
    pose = np.zeros((*rotation.shape[:-2], 4, 4))
    pose[..., :3, :3], pose[..., :3, 3], pose[..., 3, 3] = rotation, translation, 1.0
    return pose


def inverse(pose: FloatArray) -> FloatArray:
    """Inverse of (..., 4, 4) rigid motions."""
    back = np.swapaxes(pose[..., :3, :3], -1, -2)
    return rigid(back, -np.einsum("...ij,...j->...i", back, pose[..., :3, 3]))


def twisted(twist: FloatArray) -> FloatArray:
    """(4, 4) motion of a turn (rotation vector) and a slide (6,)."""
    return rigid(Rotation.from_rotvec(twist[:3]).as_matrix(), twist[3:])


def twisted_about(twist: FloatArray, centre: FloatArray) -> FloatArray:
    """The same with the turn about a place (3,)."""
    return rigid(np.eye(3), centre) @ twisted(twist) @ rigid(np.eye(3), -centre)


def screw(pose: FloatArray) -> FloatArray:
    """(6,) turn (rotation vector) and slide that, kept up steadily from 0 to 1, end in a (4, 4) motion.

    The logarithm of a rigid motion (Murray, Li and Sastry, "A mathematical introduction to robotic manipulation",
    1994, cited from memory).
    """
    turn = Rotation.from_matrix(pose[:3, :3]).as_rotvec()
    angle = float(np.linalg.norm(turn))
    if angle < 1e-9:
        return np.concatenate([turn, pose[:3, 3]])
    cross = np.cross(turn, np.eye(3)).T
    swept = np.eye(3) + (1 - np.cos(angle)) / angle**2 * cross + (angle - np.sin(angle)) / angle**3 * cross @ cross
    return np.concatenate([turn, np.linalg.solve(swept, pose[:3, 3])])


def turned_about(axis: FloatArray, through: FloatArray, angle_rad: float) -> FloatArray:
    """(4, 4) turn about an axis that does not pass through the origin."""
    turn = Rotation.from_rotvec(np.asarray(axis) * angle_rad).as_matrix()
    return rigid(turn, through - turn @ through)


def nearest_rigid(pose: FloatArray) -> FloatArray:
    """The pose with its rotation made orthonormal again."""
    u, _, v = np.linalg.svd(pose[:3, :3])
    return rigid(u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ v))]) @ v, pose[:3, 3])


def moved(pose: FloatArray, points: FloatArray) -> FloatArray:
    """(n, 3) points moved by a (4, 4) pose."""
    return points @ pose[:3, :3].T + pose[:3, 3]


def moved_by_each(poses: FloatArray, points: FloatArray) -> FloatArray:
    """(3, m, n) points (n, 3) moved by each of (m, 4, 4) poses, axis by axis."""
    return turned_by_each(poses, points) + np.moveaxis(poses[:, :3, 3], 1, 0)[..., None]


def turned_by_each(poses: FloatArray, normals: FloatArray) -> FloatArray:
    """(3, m, n) normals (n, 3) turned by each of (m, 4, 4) poses, axis by axis."""
    return np.stack([poses[:, axis, :3] @ normals.T for axis in range(3)])


def displacement(one: FloatArray, other: FloatArray, points: FloatArray) -> float:
    """Mean distance between where two (4, 4) poses put points (n, 3), in their unit."""
    return float(np.linalg.norm(moved(one, points) - moved(other, points), axis=1).mean())


def differences(poses: FloatArray, other: FloatArray, centre: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angle (radians) and displacement of a centre between (n, 4, 4) poses and one other."""
    trace = np.einsum("nij,ij->n", poses[:, :3, :3], other[:3, :3])
    angle = np.arccos(np.clip((trace - 1) / 2, -1, 1))
    way = poses[:, :3, :3] @ centre + poses[:, :3, 3] - (other[:3, :3] @ centre + other[:3, 3])
    return angle, np.linalg.norm(way, axis=1)


def distinct(poses: FloatArray, centre: FloatArray, angle_rad: float, distance: float, most: int) -> list[int]:
    """Indices of poses (n, 4, 4), best first, that differ from every one kept before (non-maximum suppression)."""
    kept: list[int] = []
    open_ = np.ones(len(poses), bool)
    for k in range(len(poses)):
        if not open_[k]:
            continue
        kept.append(k)
        if len(kept) == most:
            break
        angle, way = differences(poses, poses[k], centre)
        open_ &= (angle > angle_rad) | (way > distance)
    return kept
