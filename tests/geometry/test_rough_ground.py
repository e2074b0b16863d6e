"""Ground that is no plane is known, and a part alone is none."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.gauge import gauge
from pipeline.geometry.rough_ground import rough_ground
from pipeline.simulate.scene import Label
from tests.cleaning import simulated


@pytest.mark.parametrize("normals", [True, False])
def test_cloth_under_a_part_is_ground(normals: bool) -> None:
    shot = simulated("gudgeon", riser="block", cloth=True, normals=normals)
    lengths = gauge(shot.capture.points)
    ground = rough_ground(shot.capture.points, shot.capture.normals, lengths.spacing, lengths.noise)
    assert ground.equation is not None
    height = shot.capture.points @ ground.equation[:3] + ground.equation[3]
    assert abs(np.median(height[shot.labels == Label.CLOTH])) < 5.0
    assert np.median(height[shot.labels == Label.PART]) > 35.0


def test_paper_that_covers_all_is_at_least_suspected() -> None:
    """Coarse noise makes its slopes look steeper: two thirds of its rim look up, not three quarters."""
    shot = simulated("pump-impeller", seed=7, riser="none", paper="covering", noise_mm=0.2, points=100_000)
    lengths = gauge(shot.capture.points)
    assert rough_ground(shot.capture.points, shot.capture.normals, lengths.spacing, lengths.noise).suspected


@pytest.mark.parametrize("fitting", ["gudgeon", "sheave", "nameplate", "bailer"])
def test_a_part_alone_stands_on_no_ground(fitting: str) -> None:
    shot = simulated(fitting, table="none", riser="none")
    lengths = gauge(shot.capture.points)
    ground = rough_ground(shot.capture.points, shot.capture.normals, lengths.spacing, lengths.noise)
    assert ground.equation is None
    assert not ground.suspected
