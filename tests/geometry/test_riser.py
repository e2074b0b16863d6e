"""The riser among upright walls, its top, and what may as well be a foot."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.doubts import Uncertain, doubts
from pipeline.geometry.gauge import Gauge
from pipeline.geometry.riser import find_riser, level_top, may_be_riser
from pipeline.geometry.standing import Standing, cells_of, standing

UP = np.array([0.0, 0.0, 1.0, 0.0])
SPACING = 0.8


def block(
    size: tuple[float, float], low: float, high: float, *, lid: bool = True, centre: tuple[float, float] = (0.0, 0.0)
) -> tuple[np.ndarray, np.ndarray]:
    """Points and normals of an upright block's walls and lid, closely spaced, as a scanner sees them from above."""
    x, y = size[0] / 2, size[1] / 2
    run, rise = np.arange(-1.0, 1.0, 2 * SPACING / max(size)), np.arange(low, high, SPACING)
    points, normals = [], []
    for sign in (-1.0, 1.0):
        for axis, half, other in ((0, x, y), (1, y, x)):
            along, up = np.meshgrid(run * other, rise)
            wall = np.zeros((along.size, 3))
            wall[:, axis], wall[:, 1 - axis], wall[:, 2] = sign * half, along.ravel(), up.ravel()
            out = np.zeros(3)
            out[axis] = sign
            points.append(wall)
            normals.append(np.tile(out, (len(wall), 1)))
    if lid:
        along, across = np.meshgrid(run * x, run * y)
        points.append(np.column_stack([along.ravel(), across.ravel(), np.full(along.size, high)]))
        normals.append(np.tile([0.0, 0.0, 1.0], (along.size, 1)))
    return np.vstack(points) + [*centre, 0.0], np.vstack(normals)


def scene(*blocks: tuple[np.ndarray, np.ndarray]) -> Standing:
    points, normals = (np.vstack(parts) for parts in zip(*blocks, strict=True))
    cells = cells_of(points, Gauge(SPACING, 0.02))
    return standing(cells, points, normals, UP)


def test_a_block_under_a_wider_part() -> None:
    found = find_riser(scene(block((40, 40), 0.5, 40, lid=False), block((80, 60), 40, 70)))
    assert found is not None
    assert found.top(np.zeros((1, 2)))[0] == pytest.approx(40.0, abs=1.0)
    assert not found.flush
    assert not found.contested
    assert found.outside(np.array([[0.0, 0.0], [30.0, 0.0]])) == pytest.approx([-20.0, 10.0], abs=1.0)


def test_a_block_under_a_narrower_part_is_cut_at_its_face() -> None:
    found = find_riser(scene(block((60, 60), 0.5, 30), block((24, 70), 30, 80)))
    assert found is not None
    assert found.flush
    assert found.top(np.zeros((1, 2)))[0] == pytest.approx(30.0, abs=0.1)


def test_a_free_thing_beside_changes_nothing() -> None:
    beside = block((20, 20), 0.5, 25, centre=(75.0, 0.0))
    found = find_riser(scene(block((40, 40), 0.5, 40, lid=False), block((80, 60), 40, 70), beside))
    assert found is not None
    assert found.top(np.zeros((1, 2)))[0] == pytest.approx(40.0, abs=1.0)


def test_a_thing_from_the_ground_to_the_part_makes_it_contested() -> None:
    touching = block((20, 20), 0.5, 55, centre=(49.0, 0.0))
    found = find_riser(scene(block((40, 40), 0.5, 40), block((80, 60), 40, 70), touching))
    assert found is None or found.contested


def test_a_box_on_the_table_stands_on_no_riser() -> None:
    alone = scene(block((60, 40), 0.5, 50))
    assert find_riser(alone) is None
    assert not may_be_riser(alone, np.ones(len(alone.cells), bool))


def test_a_base_plate_is_no_riser() -> None:
    assert find_riser(scene(block((120, 90), 0.5, 10), block((30, 30), 10, 60))) is None


def test_a_plinth_whose_walls_are_half_in_the_shadow_is_as_flat_as_it_is() -> None:
    points, normals = block((60, 60), 0.5, 12)
    lit = (normals[:, :2] >= 0).all(axis=1)
    found = find_riser(scene((points[lit], normals[lit]), block((24, 24), 12, 70)))
    assert found is not None
    assert found.aspect == pytest.approx(12 / 60, abs=0.02)


def test_a_part_on_a_shaft_may_stand_on_a_riser() -> None:
    stands = scene(block((40, 40), 0.5, 40, lid=False), block((80, 60), 40, 70))
    assert may_be_riser(stands, np.ones(len(stands.cells), bool))


def test_another_column_counts_only_where_the_part_rests_on_it() -> None:
    beside = (block((30, 30), 0.5, 20, centre=(120.0, 0.0), lid=False), block((50, 50), 20, 40, centre=(120.0, 0.0)))
    under = (block((40, 40), 0.5, 40, lid=False), block((80, 60), 40, 70))
    there = scene(*under, *beside)
    found = find_riser(there)
    assert found is not None
    assert found.top(np.zeros((1, 2)))[0] == pytest.approx(40.0, abs=1.0)
    assert len(found.rivals) == 1
    part = (there.height > 40.0) & (np.abs(there.plan) < 60.0).all(axis=1)
    assert Uncertain.FOOT not in doubts(there, part, found, None, declared=False)
    # The same where the part lies on both.
    both = part | (there.height > 20.0) & ~(np.abs(there.plan) < 60.0).all(axis=1)
    assert Uncertain.FOOT in doubts(there, both, found, None, declared=False)


def test_a_foot_among_several_is_no_riser() -> None:
    feet = [block((20, 20), 0.5, 20, centre=(x, 0.0), lid=False) for x in (-60.0, 0.0, 60.0)]
    there = scene(*feet, block((150, 24), 20, 40))
    assert not may_be_riser(there, np.ones(len(there.cells), bool))
    # One of them alone may be one.
    alone = scene(feet[1], block((150, 24), 20, 40))
    assert may_be_riser(alone, np.ones(len(alone.cells), bool))


def test_what_leans_at_a_part_does_not_hide_its_riser() -> None:
    raised = (block((40, 40), 0.5, 40, lid=False), block((80, 60), 40, 90))
    leaning = block((50, 50), 0.5, 60, centre=(65.0, 0.0))
    there = scene(*raised, leaning)
    assert may_be_riser(there, np.ones(len(there.cells), bool))
    # Nor does anything on the other side, but for a foot that holds the part up as well.
    feet = [block((30, 50), 0.5, 40, centre=(x, 0.0), lid=False) for x in (-55.0, 55.0)]
    held = scene(raised[0], *feet, block((140, 60), 40, 90))
    assert not may_be_riser(held, np.ones(len(held.cells), bool))


def crests(height: float) -> tuple[np.ndarray, np.ndarray]:
    """Waves around the middle that rise so high."""
    x, y = (axis.ravel() for axis in np.meshgrid(*2 * [np.arange(-100.0, 100.0, SPACING)]))
    x, y = np.array([x, y])[:, np.hypot(x, y) > 60]
    points = np.column_stack([x, y, height * (0.5 + 0.5 * np.sin(x / 9) * np.cos(y / 9))])
    return points, np.tile([0.0, 0.0, 1.0], (len(points), 1))


def test_over_rough_ground_the_top_of_a_riser_is_a_level_face_that_ends_in_walls() -> None:
    on_edge = block((6, 90), 31.5, 90)
    assert level_top(scene(crests(2), block((40, 40), 0.5, 31.5), on_edge), 30, 2.4) == pytest.approx(31.5, abs=0.2)
    assert level_top(scene(crests(2), block((40, 40), 0.5, 41.5), on_edge), 30, 2.4) is None
    # Lumps of paper as high as half of it do not make a step of the part, 12 mm higher, its top.
    assert level_top(scene(crests(14), block((40, 40), 0.5, 41.5), on_edge), 30, 2.4) is None


def test_over_rough_ground_the_top_of_a_riser_may_be_seen_through_a_hole() -> None:
    along, across = np.meshgrid(*2 * [np.arange(-6.0, 6.0, SPACING)])
    disc = np.column_stack([along.ravel(), across.ravel(), np.full(along.size, 31.5)])
    seen = disc, np.tile([0.0, 0.0, 1.0], (len(disc), 1))
    assert level_top(scene(crests(2), seen, block((80, 60), 33, 60)), 30, 2.4) == pytest.approx(31.5, abs=0.2)
    # The face of a thin sheet that lies on it is all there is of the part.
    assert level_top(scene(crests(2), block((80, 60), 30, 31.5)), 30, 2.4) is None
