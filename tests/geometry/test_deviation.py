"""Distances to surfaces whose distance is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import box, icosphere, prism
from scipy.spatial import cKDTree

from pipeline.geometry.deviation import Surface, sample_surface, summary, surface_to_points
from pipeline.part import Mesh


def distance_to_box(points: np.ndarray, half: np.ndarray) -> np.ndarray:
    """Signed distance in closed form: how far outside the nearest side, corner or edge."""
    beyond = np.abs(points) - half
    return np.linalg.norm(np.maximum(beyond, 0), axis=1) + np.minimum(beyond.max(axis=1), 0)


@pytest.mark.parametrize("shift", [0.0, 1e4])
def test_signed_distance_to_a_box(shift: float) -> None:
    vertices, faces = box((60, 40, 20))
    points = np.random.default_rng(1).uniform(-45, 45, (50_000, 3))
    found, _ = Surface(vertices + shift, faces).signed_distance(points + shift)
    assert np.abs(found - distance_to_box(points, np.array([30, 20, 10]))).max() < 1e-5


def test_side_is_right_at_the_tip_of_a_needle() -> None:
    # where one face alone tells the wrong side (Baerentzen & Aanaes 2005)
    tip = np.array([[0, 0, 0], [10, 0, 0], [0, 1, 0], [0, 0, 1]], float)
    faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)
    points = np.random.default_rng(1).uniform(-2, 12, (100_000, 3)) * [1, 0.2, 0.2]
    inside = (points > 0).all(axis=1) & (points @ [0.1, 1, 1] < 1)
    found, _ = Surface(tip, faces).signed_distance(points)
    assert np.array_equal(found < 0, inside)


def test_gaussian_noise_on_a_plane() -> None:
    # P4: |d| of a Gaussian has mean 0.798 sigma, rms sigma, 95 % below 1.960 sigma (half normal)
    rng = np.random.default_rng(4)
    points = np.column_stack([rng.uniform(-20, 20, (200_000, 2)), 10 + rng.normal(0, 0.05, 200_000)])
    distances, _ = Surface(*box((60, 60, 20))).signed_distance(points)
    found = summary(distances, 0.05 * 1.959964)
    assert np.abs(distances).mean() == pytest.approx(0.798 * 0.05, rel=0.01)
    assert found.rms_mm == pytest.approx(0.05, rel=0.01)
    assert found.p95_mm == pytest.approx(1.960 * 0.05, rel=0.01)
    assert found.beyond_tolerance_percent == pytest.approx(5, rel=0.03)
    assert abs(found.mean_mm) < 4 * 0.05 / np.sqrt(200_000)
    assert found.histogram.sum() == 200_000


def test_perfect_samples_do_not_deviate_though_they_lie_apart() -> None:
    # P3: cloud-to-cloud distance of two perfect samples is 0.5/sqrt(density) on average: no error
    from scipy.spatial import cKDTree

    vertices, faces = box((100, 100, 100))
    one, _ = sample_surface(vertices, faces, 60_000, seed=1)
    other, _ = sample_surface(vertices, faces, 60_000, seed=2)
    apart, _ = cKDTree(one).query(other)
    density = 60_000 / 60_000.0
    # our samples are drawn one a stratum of area along the list of faces, so as even as chance within faces
    assert apart.mean() == pytest.approx(0.5 / np.sqrt(density), rel=0.02)
    assert Surface(vertices, faces).distance(other).max() < 1e-4


def test_samples_are_even_and_the_same_every_time() -> None:
    vertices, faces = box((60, 40, 20))
    points, face = sample_surface(vertices, faces, 44_000)
    assert np.bincount(face, minlength=12) == pytest.approx(
        np.linalg.norm(
            np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]]),
            axis=1,
        )
        / 2
        / 8800
        * 44_000,
        abs=2,
    )
    assert np.array_equal(points, sample_surface(vertices, faces, 44_000)[0])
    assert np.abs(distance_to_box(points, np.array([30, 20, 10]))).max() < 1e-9


def test_surface_without_points_is_found_unless_flagged() -> None:
    vertices, faces = icosphere(4)
    points, _ = sample_surface(vertices, faces, 40_000)
    points = points[points[:, 2] < 20]  # nothing on a cap of 10 % of the area
    cap = vertices[faces].mean(axis=1)[:, 2] > 20
    tree = cKDTree(points)
    places, away = surface_to_points(Mesh(vertices, faces), tree, farthest_mm=50.0)
    assert 0.06 < (away > 1.0).mean() < 0.1
    assert places[away.argmax()][2] > 23
    assert surface_to_points(Mesh(vertices, faces, cap), tree, farthest_mm=50.0)[1].max() <= 2.0
    assert surface_to_points(Mesh(vertices, faces), tree, farthest_mm=3.0)[1].max() == 3.0


def test_as_many_corners_as_a_sag_allows() -> None:
    # G8: a bore of radius 30.15 within 0.01 mm needs ceil(pi / acos(1 - s/r)) = 122 corners (computed; common geometry)
    turn = np.linspace(0, 2 * np.pi, 20_000)
    round_about = 30.15 * np.column_stack([np.cos(turn), np.sin(turn), np.zeros_like(turn)]) + (0, 0, 5)
    worst = [float(Surface(*prism(30.15, 10, corners)).distance(round_about).max()) for corners in (121, 122)]
    assert worst[0] > 0.01 >= worst[1]
