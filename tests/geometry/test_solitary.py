"""A point beside a denser surface stands alone; a sparse surface, even close to a dense one, does not."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.sampling import point_spacing
from pipeline.geometry.solitary import solitary
from pipeline.part import FloatArray


def tube(radius: float, count: int, rng: np.random.Generator) -> FloatArray:
    """Points spread at random over the wall of an upright tube, 60 high."""
    turn, height = rng.uniform(0, 2 * np.pi, count), rng.uniform(0, 60, count)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])


def ball(count: int, rng: np.random.Generator) -> FloatArray:
    """Points spread at random over a ball of radius 20."""
    way = rng.normal(size=(count, 3))
    return 20 * way / np.linalg.norm(way, axis=1, keepdims=True)


def test_strays_above_a_dense_surface_stand_alone() -> None:
    rng = np.random.default_rng(1)
    surface = ball(20_000, rng)
    off = point_spacing(surface) * rng.uniform(4, 12, 12)
    strays = surface[:: len(surface) // 12][:12] * (1 + off / 20)[:, None]
    found = solitary(np.concatenate([surface, strays]))
    assert found[-12:].all()
    assert not found[:-12].any()


def test_a_side_seen_sparsely_stays() -> None:
    rng = np.random.default_rng(2)
    points = ball(40_000, rng)
    points = points[(points[:, 2] > 0) | (rng.random(len(points)) < 1 / 16)]
    sparse = points[:, 2] <= 0
    assert solitary(points)[~sparse].sum() == 0
    assert solitary(points)[sparse].mean() <= 0.005


def test_a_bore_seen_sparsely_within_a_dense_wall_stays() -> None:
    rng = np.random.default_rng(3)
    bore = tube(10.0, 2_400, rng)
    points = np.concatenate([tube(13.0, 30_000, rng), bore])
    assert solitary(points)[-len(bore) :].mean() <= 0.001


def test_a_handful_of_points_is_no_evidence() -> None:
    assert not solitary(np.random.default_rng(4).random((8, 3))).any()
