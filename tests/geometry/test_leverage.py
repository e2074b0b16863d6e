"""How sure a pose is said to be, where one small place holds it."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.alignment.joint import refined
from pipeline.geometry.alignment.solve import prepared
from pipeline.geometry.alignment.verdict import Solution, deviations_mm
from pipeline.part import Capture

NOISE = 0.03


def ground_with_knobs(seed: int, shift_mm: float, places: list[tuple[float, float]]) -> Capture:
    """A flat field of 80 x 60 mm seen from above, with knobs of 5 mm radius that lie shifted along x."""
    rng = np.random.default_rng(seed)
    points = np.column_stack([rng.uniform(-40, 40, 30_000), rng.uniform(-30, 30, 30_000), np.zeros(30_000)])
    normals = np.tile([0.0, 0.0, 1.0], (len(points), 1))
    for x, y in places:
        off = points[:, :2] - (x + shift_mm, y)
        near = (off**2).sum(axis=1) < 25
        points[near, 2] = np.sqrt(25 - (off[near] ** 2).sum(axis=1))
        normals[near] = np.column_stack([off[near], points[near, 2]]) / 5
    points += normals * rng.normal(0, NOISE, (len(points), 1))
    return Capture(name=f"side-{seed}.ply", points=points, normals=normals.astype(np.float32))


def test_knobs_that_do_not_agree_make_a_pose_unsure() -> None:
    """One of two knobs is off by 0.16 mm: which one, nobody can tell, and the pose lies between them."""
    places = [(-20.0, 10.0), (22.0, -12.0)]
    first = ground_with_knobs(1, 0.0, places)
    agreeing = prepared([first, ground_with_knobs(2, 0.0, places)])
    moved = ground_with_knobs(2, 0.16, places[:1])
    other = ground_with_knobs(2, 0.0, places[1:])
    left = moved.points[:, 0] < 0
    mixed = Capture(
        name="side-2.ply",
        points=np.where(left[:, None], moved.points, other.points),
        normals=np.where(left[:, None], moved.normals, other.normals),
    )
    differing = prepared([first, mixed])
    said = []
    for ready in (agreeing, differing):
        joint = refined([one.seen.tree for one in ready], np.tile(np.eye(4), (2, 1, 1)))
        said.append(deviations_mm(Solution(joint, {}, ()), ready, 0.3)[1])
    assert said[0] < NOISE
    assert said[1] > NOISE
    assert said[1] > 3 * said[0]  # the covariance alone says 1.4 times
