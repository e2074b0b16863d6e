"""Every turn of a part that is as good as the pose itself is found."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.alignment.rigid import inverse
from pipeline.geometry.alignment.solve import prepared
from pipeline.geometry.alignment.twins import turned_poses
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.scanner import CLEAN, scan_sides
from pipeline.simulate.scene import Scene


def test_all_turns_of_a_wheel_that_are_as_good_are_there() -> None:
    """The same after every seventh of a turn: six others, though only three are asked for."""
    scene = Scene(part=FITTINGS["pump-impeller"](None), table="none", seed=0)
    found = scan_sides(
        scene, ("top", "bottom", "front"), points=24_000, noise_mm=0.05, seed=0, scanner=CLEAN, colours=False
    )
    ready = prepared([one.capture for one in found])
    poses = np.array([one.part_from_capture for one in found])
    turns = []
    for turned in turned_poses(ready, poses, 1, most=3):
        motion = turned @ inverse(poses[1])
        turns.append(np.degrees(np.arccos(np.clip((np.trace(motion[:3, :3]) - 1) / 2, -1, 1))))
    for k in (1, 2, 3):
        assert np.sum(np.abs(np.array(turns) - k * 360 / 7) < 1.0) == 2  # either way
