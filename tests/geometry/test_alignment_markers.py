"""Markers without numbers: partners by their distances."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.alignment.markers import kabsch, matches, partners
from pipeline.geometry.alignment.rigid import moved
from pipeline.simulate.poses import random_rigid

MARKERS = np.array([[0.0, 0, 0], [70, 5, 3], [20, 55, -8], [45, 30, 40], [-15, 35, 25]])


@pytest.mark.parametrize("seed", range(8))
def test_noisy_lists_in_any_order_with_wrong_and_missing_entries(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pose = random_rigid(rng, 200.0)
    one = np.vstack([MARKERS[:4], rng.uniform(-60, 60, (2, 3))])
    other = np.vstack([moved(pose, MARKERS[1:]), rng.uniform(-60, 60, (2, 3)) + pose[:3, 3]])
    one, other = rng.permutation(one + rng.normal(0, 0.3, one.shape)), rng.permutation(other)
    best = matches(one, other, 0.3)[0]
    assert np.linalg.norm(moved(best.pose, MARKERS) - moved(pose, MARKERS), axis=1).max() < 3.0


def test_a_mirror_image_has_the_same_distances_and_is_refused() -> None:
    assert not [match for match in matches(MARKERS, MARKERS * [-1.0, 1, 1], 0.1) if len(match.pairs) > 3]


def test_three_in_a_line_leave_a_turn_open_and_are_refused() -> None:
    line = np.array([[0.0, 0, 0], [30, 0, 0], [71, 0, 0]])
    assert matches(line, line, 0.3) == []


def test_two_are_too_few() -> None:
    assert matches(MARKERS[:2], MARKERS, 0.3) == []


def test_a_regular_grid_ends_in_time() -> None:
    """All distances of a grid are equal to others: the search is bounded."""
    grid = np.stack(np.meshgrid(range(6), range(6), [0]), axis=-1).reshape(-1, 3) * 10.0
    assert matches(grid, grid, 0.3, most=3)


def test_partners_are_used_once() -> None:
    assert partners(np.zeros((2, 3)), np.zeros((1, 3)), 1.0).tolist() == [[0, 0]]


def test_least_squares_never_mirrors() -> None:
    flat = MARKERS * [1.0, 1, 0]
    assert np.linalg.det(kabsch(flat, flat * [-1.0, 1, 1])[:3, :3]) == pytest.approx(1.0)
