"""Parts lie as real ones do."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.poses import SIDES, centre_of_mass, inverse, random_rigid, settled, turn_up
from pipeline.simulate.solids import box, mesh_of, solid_of


def test_a_box_settles_on_the_nearest_face() -> None:
    block = mesh_of(box((60, 40, 20)))
    assert settled(block, (0.3, 0.1, 0.9)) == pytest.approx([0, 0, 1])
    assert settled(block, (0.8, 0.3, 0.2)) == pytest.approx([1, 0, 0])


@pytest.mark.parametrize("side", SIDES)
def test_a_settled_part_stands_over_its_feet(side: str) -> None:
    part = FITTINGS["swan-finial"](None)
    up = settled(part, SIDES[side])
    standing = part.vertices @ turn_up(up).T
    hull = np.asarray(
        solid_of(part).transform(np.column_stack([turn_up(up), np.zeros(3)])).hull().to_mesh64().vert_properties
    )
    feet = hull[hull[:, 2] < standing[:, 2].min() + 0.3, :2]
    away = feet - (turn_up(up) @ centre_of_mass(part))[:2]
    bearing = np.sort(np.arctan2(away[:, 1], away[:, 0]))
    gaps = np.diff(np.append(bearing, bearing[0] + 2 * np.pi))
    assert gaps.max() < np.pi + 0.05  # no half plane is without a foot: it does not tip over


def test_a_shape_that_rolls_off_everything_stands_as_it_was_told() -> None:
    up = np.array([0.6, 0, 0.8])
    assert settled(mesh_of(box((60, 40, 20))), up, most_deg=10) == pytest.approx(up)


def test_rigid_motions_are_rigid() -> None:
    motion = random_rigid(np.random.default_rng(1), 100)
    assert motion[:3, :3] @ motion[:3, :3].T == pytest.approx(np.eye(3))
    assert np.linalg.det(motion[:3, :3]) == pytest.approx(1)
    assert inverse(motion) @ motion == pytest.approx(np.eye(4), abs=1e-12)


def test_the_centre_of_mass_of_a_hollow_box() -> None:
    hollow = mesh_of(box((40, 40, 40)) - box((10, 30, 30), (10, 0, 0)))
    assert centre_of_mass(hollow) == pytest.approx([-10 * 9000 / (64000 - 9000), 0, 0], abs=1e-9)
