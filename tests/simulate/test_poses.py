"""Parts lie as real ones do."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.poses import SIDES, centre_of_mass, inverse, random_rigid, settled
from pipeline.simulate.solids import box, mesh_of


def test_a_box_settles_on_the_nearest_face() -> None:
    block = mesh_of(box((60, 40, 20)))
    assert settled(block, (0.3, 0.1, 0.9)) == pytest.approx([0, 0, 1])
    assert settled(block, (0.8, 0.3, 0.2)) == pytest.approx([1, 0, 0])


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("name", ["gudgeon", "pipe-tee"])
def test_a_settled_part_does_not_fall_over(name: str, side: str) -> None:
    """A stable pose is a local minimum of the height of the centre of mass over the ground."""
    part = FITTINGS[name](None)
    up = settled(part, SIDES[side], most_deg=60)
    from_centre = part.vertices - centre_of_mass(part)
    tilts = [up + 0.05 * way for way in np.random.default_rng(1).normal(size=(20, 3))]
    rise = [(from_centre @ up).min() - (from_centre @ tilt).min() / np.linalg.norm(tilt) for tilt in tilts]
    assert up @ SIDES[side] > 0.5
    assert min(rise) > -0.1


def test_a_bollard_does_not_stand_on_its_head() -> None:
    assert settled(FITTINGS["bollard"](None), (0.05, 0, -1)) == pytest.approx(
        np.array([0.05, 0, -1]) / np.hypot(1, 0.05)
    )
    assert settled(FITTINGS["bollard"](None), (0.05, 0, 1)) == pytest.approx([0, 0, 1], abs=1e-3)


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
