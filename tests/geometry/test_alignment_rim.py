"""Open ends of a scanned surface: shapes whose border is known."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.alignment.rim import rim


def test_a_square_of_samples_has_its_border_as_rim() -> None:
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(np.arange(40.0), np.arange(40.0))
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(1600)]) + rng.uniform(-0.25, 0.25, (1600, 3)) * [1, 1, 0]
    found = rim(points, np.tile([0.0, 0, 1], (1600, 1)), cKDTree(points), 1.0)
    from_border = np.minimum(points[:, :2], 39 - points[:, :2]).min(axis=1)
    assert found[from_border < 0.6].mean() > 0.97
    assert found[from_border > 3.0].mean() < 0.01


def test_a_sphere_has_none() -> None:
    k = np.arange(3000) + 0.5  # Fibonacci lattice, from memory
    height, turn = 1 - 2 * k / 3000, k * np.pi * (3 - np.sqrt(5))
    flat = np.sqrt(1 - height**2)
    normals = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])
    assert rim(20 * normals, normals, cKDTree(20 * normals), 20 * np.sqrt(4 * np.pi / 3000)).mean() < 0.01


def test_a_sharp_edge_is_no_open_end() -> None:
    rng = np.random.default_rng(2)
    x, y = (values.ravel() for values in np.meshgrid(np.arange(0.5, 30), np.arange(0.5, 30)))
    flat, zero = np.zeros(len(x)), np.zeros(len(x))
    points = np.vstack([np.column_stack([x, y, flat]), np.column_stack([zero, y, -x])])  # two faces that meet at x = 0
    points += rng.uniform(-0.2, 0.2, points.shape) * np.repeat([[1, 1, 0], [0, 1, 1]], len(x), axis=0)
    normals = np.repeat([[0.0, 0, 1], [-1.0, 0, 0]], len(x), axis=0)
    found = rim(points, normals, cKDTree(points), 1.0)
    inside = (points[:, 1] > 4) & (points[:, 1] < 26)
    at_edge = inside & (points[:, 0] < 2) & (points[:, 2] > -2)
    assert found[at_edge].mean() < 0.15
