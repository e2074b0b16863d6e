"""Density, evenness and noise against closed forms, and against what the simulator put in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.geometry.tangent_patches import tangent_patches


def lifted(plane: np.ndarray) -> np.ndarray:
    """Points of a plane somewhere in space."""
    turn, _ = np.linalg.qr(np.random.default_rng(9).normal(size=(3, 3)))
    return np.column_stack([plane, np.zeros(len(plane))]) @ turn.T + [300, -40, 900]


def grid(count: int = 200) -> np.ndarray:
    """Large, so that its border, which closed forms do not know, is a small share."""
    return np.stack(np.meshgrid(np.arange(count), np.arange(count)), axis=-1).reshape(-1, 2).astype(float)


def hexagonal() -> np.ndarray:
    points = grid()
    points[:, 0] += 0.5 * (points[:, 1] % 2)
    points[:, 1] *= np.sqrt(0.75)
    return points


def halves(seed: int) -> np.ndarray:
    """Two halves of a square, one nine times as dense as the other."""
    rng = np.random.default_rng(seed)
    dense, thin = rng.uniform(0, 1, (9_000, 2)), rng.uniform(0, 1, (1_000, 2))
    return 100 * np.concatenate([dense * [0.5, 1], thin * [0.5, 1] + [0.5, 0]])


def ball(count: int, noise: float, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    outward = rng.normal(size=(count, 3))
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    return outward * (30 + rng.normal(0, noise, count))[:, None]


def test_evenness_of_points_at_random_is_one() -> None:
    # P1: Clark & Evans 1954 (read at second hand): R = 1, standard error 0.26136/sqrt(N rho) -> 0.0052 at N = 10,000;
    # four of them, and 0.003 for the open border.
    found = tangent_patches(lifted(np.random.default_rng(0).uniform(0, 100, (10_000, 2))))
    assert found.evenness == pytest.approx(1.0, abs=4 * 0.0052 + 0.003)
    assert found.density_per_mm2 == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        (grid(), 2.0),  # each point stands for 1, its neighbour is 1 away: 2 sqrt(1) 1
        (hexagonal(), 2.1491),  # 2^(3/2) / 3^(1/4), the largest there is: Clark & Evans 1954
        (grid() + np.random.default_rng(2).normal(0, 0.25, (40_000, 2)), 1.346),  # simulated, exact borders
        (halves(0), 0.894),  # mean distance (0.9/6 + 0.1/2), density 5
        (halves(1), 0.894),
    ],
)
def test_evenness_of_patterns(points: np.ndarray, expected: float) -> None:
    assert tangent_patches(lifted(points)).evenness == pytest.approx(expected, abs=0.02)  # P2


def test_crowds_of_twenty_are_far_from_even() -> None:
    rng = np.random.default_rng(3)
    crowds = rng.uniform(0, 100, (500, 1, 2)) + rng.normal(0, 0.5, (500, 20, 2))
    assert tangent_patches(lifted(crowds.reshape(-1, 2))).evenness < 0.75


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.3])
def test_noise_is_recovered_on_a_curved_surface(noise: float) -> None:
    assert tangent_patches(ball(60_000, noise)).noise_mm == pytest.approx(noise, rel=0.15)


def test_density_and_evenness_stand_strays_and_noise() -> None:
    strays = np.random.default_rng(4).uniform(-60, 60, (200, 3))
    found = tangent_patches(np.concatenate([ball(40_000, 0.1), strays]))
    assert found.density_per_mm2 == pytest.approx(40_000 / (4 * np.pi * 30**2), rel=0.05)
    assert found.evenness == pytest.approx(1.0, abs=0.04)


@settings(max_examples=8)
@given(st.floats(0.05, 50), st.integers(0, 2**31))
def test_scale_and_order_change_nothing_but_the_lengths(scale: float, seed: int) -> None:
    points = ball(3_000, 0.05)
    one = tangent_patches(points)
    other = tangent_patches(scale * points[np.random.default_rng(seed).permutation(len(points))])
    assert other.evenness == pytest.approx(one.evenness, rel=1e-6)
    assert other.density_per_mm2 * scale**2 == pytest.approx(one.density_per_mm2, rel=1e-6)
    assert other.noise_mm / scale == pytest.approx(one.noise_mm, rel=0.02)


def test_three_points_are_enough_and_two_are_not() -> None:
    assert tangent_patches(np.eye(3)).noise_mm == 0.0
    with pytest.raises(ValueError, match="three"):
        tangent_patches(np.eye(3)[:2])
