"""The size of a thing does not depend on how it lies."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.geometry.extent import boxes_around, oriented_extents


@pytest.mark.parametrize("seed", range(6))
def test_a_box_has_its_own_sides_however_it_is_turned(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(-0.5, 0.5, (20_000, 3)) * [120, 60, 20]
    points = np.vstack([points, np.array(np.meshgrid([-60, 60], [-30, 30], [-10, 10])).reshape(3, -1).T])
    turned = points @ Rotation.random(random_state=seed).as_matrix().T
    assert oriented_extents(turned) == pytest.approx([120, 60, 20], rel=0.1)


def test_flat_points_have_no_height() -> None:
    flat = np.column_stack([np.random.default_rng(1).uniform(0, 10, (500, 2)), np.zeros(500)])
    assert oriented_extents(flat)[2] == pytest.approx(0, abs=1e-9)


def test_the_box_in_which_a_leaning_thing_stands_is_among_those_measured() -> None:
    """A bar that leans over a foot: its smallest box lies along the bar, hands measure it as it stands."""
    rng = np.random.default_rng(2)
    foot = rng.uniform(-1, 1, (4_000, 3)) * [30, 20, 4]
    bar = rng.uniform(0, 1, (4_000, 1)) * [110, 0, 140] + rng.uniform(-6, 6, (4_000, 3)) + [-10, 0, 0]
    thing = np.vstack([foot, bar])
    standing = np.sort(np.ptp(thing, axis=0))[::-1]
    turned = thing @ Rotation.random(random_state=3).as_matrix().T
    assert np.prod(oriented_extents(turned)) < 0.9 * np.prod(standing)
    assert np.abs(boxes_around(turned) / standing - 1).max(axis=1).min() < 0.05
