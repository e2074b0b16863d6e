"""Rigid motions and their logarithms."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.alignment.rigid import moved, moved_by_each, rigid, screw, turned_about, turned_by_each, twisted
from pipeline.simulate.poses import random_rigid


def test_a_turn_about_an_axis_is_a_screw_without_rise() -> None:
    axis, through = np.array([0.0, 0.6, 0.8]), np.array([3.0, -2.0, 1.0])
    way = screw(turned_about(axis, through, 2.0))
    assert np.allclose(way[:3], 2.0 * axis)
    assert np.allclose(way[3:], np.cross(through, 2.0 * axis))  # velocity of the origin


def test_a_slide_stays_a_slide() -> None:
    assert np.allclose(screw(rigid(np.eye(3), [1.0, 2.0, 3.0])), [0, 0, 0, 1, 2, 3])


@pytest.mark.parametrize("seed", range(5))
def test_many_small_steps_of_a_screw_make_the_whole_motion(seed: int) -> None:
    motion = random_rigid(np.random.default_rng(seed), 50.0)
    step = twisted(screw(motion) / 2**16)
    assert np.allclose(np.linalg.matrix_power(step, 2**16), motion, atol=0.01)


def test_many_poses_at_once_move_as_each_does() -> None:
    rng = np.random.default_rng(6)
    poses, points = np.array([random_rigid(rng, 50.0) for _ in range(4)]), rng.normal(size=(9, 3))
    together, turned = moved_by_each(poses, points), turned_by_each(poses, points)
    for k, pose in enumerate(poses):
        assert np.allclose(together[:, k].T, moved(pose, points))
        assert np.allclose(turned[:, k].T, points @ pose[:3, :3].T)
