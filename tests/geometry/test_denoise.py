"""Projection takes noise out and leaves shape in."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from pipeline.geometry.denoise import filtered_normals, projected
from pipeline.geometry.neighbours import columns, nearest, rows

NOISE = 0.05


def setting(points: np.ndarray, normals: np.ndarray):
    index = nearest(cKDTree(points), points, 16)[1]
    return columns(points), columns(normals), np.ones(len(points), np.float32), index


@pytest.mark.parametrize("radius", [5.0, 20.0])
def test_a_ball_keeps_its_radius(radius):
    count = int(60 * radius**2)
    rng = np.random.default_rng(0)
    way = rng.normal(size=(count, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    points = way * (radius + rng.normal(0, NOISE, (count, 1)))
    at, normals, weight, index = setting(points, way)
    reach = 1.5 * np.sqrt(4 * np.pi * radius**2 / count)
    moved, _ = projected(at, normals, at, normals, weight, index, reach)
    error = np.linalg.norm(rows(moved), axis=1) - radius
    assert abs(error.mean()) < 0.1 * NOISE  # a mean of the neighbours would shrink the small ball by one NOISE
    assert error.std() < 0.5 * NOISE


def test_filtered_normals_are_smooth_on_faces_and_differ_across_an_edge():
    box = trimesh.creation.box((10, 10, 10))
    points, face = trimesh.sample.sample_surface(box, 10_000, seed=0)
    truth = box.face_normals[face]
    noisy = truth + np.random.default_rng(0).normal(0, 0.1, truth.shape)
    noisy /= np.linalg.norm(noisy, axis=1, keepdims=True)
    at, normals, weight, index = setting(np.asarray(points), noisy)
    smooth = rows(filtered_normals(at, normals, weight, index, 0.4))
    error = np.degrees(np.arccos(np.clip(np.einsum("ni,ni->n", smooth, truth), -1, 1)))
    near = np.sort(5 - np.abs(points), axis=1)[:, 1] < 0.3
    assert np.median(error) < 3
    assert np.median(error[near]) < 5
    assert (error < 20).mean() > 0.98


def test_the_other_face_of_a_thin_wall_does_not_pull():
    rng = np.random.default_rng(0)
    flat = rng.uniform(0, 10, (4_000, 2))
    side = np.arange(4_000) % 2
    points = np.column_stack([flat, 0.3 * side])
    normals = np.column_stack([np.zeros((4_000, 2)), 2.0 * side - 1])
    at, facing, weight, index = setting(points, normals)
    moved, _ = projected(at, facing, at, facing, weight, index, 0.4)
    assert np.abs(rows(moved)[:, 2] - points[:, 2]).max() < 1e-5


def test_a_target_with_nothing_on_its_side_stays():
    at, normals, weight, index = setting(np.random.default_rng(0).uniform(size=(50, 3)), np.tile([0, 0, 1.0], (50, 1)))
    moved, facing = projected(at, -normals, at, normals, weight, index, 0.01)
    assert np.isfinite(moved).all()
    assert np.isfinite(facing).all()
