"""What speaks against a pose of two sides must not be what was never captured."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.geometry.alignment.evidence import Evidence, evidence
from pipeline.geometry.alignment.joint import ROUNDS, refined
from pipeline.geometry.alignment.solve import prepared
from pipeline.geometry.alignment.verdict import Solution
from pipeline.part import Capture, transformed
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.poses import inverse
from pipeline.simulate.scanner import CLEAN, SimulatedCapture, scan_sides
from pipeline.simulate.scene import Scene


@pytest.fixture(scope="module")
def gudgeon() -> tuple[SimulatedCapture, ...]:
    """Its flange reaches from 25 to 13 mm left of the middle."""
    scene = Scene(part=FITTINGS["gudgeon"](911), table="none", seed=0)
    return scan_sides(scene, ("top", "left"), points=24_000, noise_mm=0.05, seed=0, scanner=CLEAN, colours=False)


def judged(found: tuple[SimulatedCapture, ...], ends_mm: float, shared_mm: float, shift_mm: float = 0.0) -> Evidence:
    """The second capture from a little before where the first ends, in its true pose, or shifted along the part."""
    x = [transformed(one.capture.points, one.part_from_capture)[:, 0] for one in found]
    captures = [
        found[0].capture.select(x[0] < ends_mm),
        found[1].capture.select(x[1] > ends_mm - shared_mm),
    ]
    one, other = (ready.seen for ready in prepared(captures))
    pose = inverse(found[0].part_from_capture) @ translated(shift_mm) @ found[1].part_from_capture
    return evidence(other, one, pose, samples=None)


def translated(x_mm: float) -> np.ndarray:
    return trimesh.transformations.translation_matrix((x_mm, 0, 0))


@pytest.mark.parametrize("ends_mm", [-24.0, -23.0, -22.0])
def test_through_the_end_of_a_capture_nobody_looked(gudgeon: tuple[SimulatedCapture, ...], ends_mm: float) -> None:
    """Within a flange whose rim was cut off: pictures from the cut show what lies beyond, past its far face."""
    found = judged(gudgeon, ends_mm, 25.0)
    assert found.support > 1_000
    assert found.through == 0


def test_what_stands_where_a_side_looked_is_still_said(gudgeon: tuple[SimulatedCapture, ...]) -> None:
    found = judged(gudgeon, 0.0, 50.0, shift_mm=-12.0)
    assert found.through > 100


@pytest.mark.parametrize(("depth_mm", "speaks"), [(3.0, True), (0.3, False)])
def test_a_shred_of_a_groove_cannot_lie_within_what_another_side_shows_as_solid(depth_mm: float, speaks: bool) -> None:
    """All of it is near its open ends, as a keyway often is; where it lies a little off, that may come from there."""

    def level(x: tuple[float, float], y: tuple[float, float], z: float) -> np.ndarray:
        along, across = np.meshgrid(np.arange(*x, 0.5), np.arange(*y, 0.5))
        return np.column_stack([along.ravel(), across.ravel(), np.full(along.size, z)])

    def capture(name: str, *faces: np.ndarray) -> Capture:
        points = np.concatenate(faces) + np.random.default_rng(1).normal(0, 0.02, (sum(map(len, faces)), 3))
        return Capture(name, points, normals=np.tile([0.0, 0.0, 1.0], (len(points), 1)))

    whole = capture("whole.ply", level((-40, 40), (-40, 40), 0.0))
    shred = level((10, 11.5), (-15, 15), -depth_mm)
    one, other = (
        ready.seen for ready in prepared([capture("shred.ply", level((-40, 0), (-40, 40), 0.0), shred), whole])
    )
    assert not one.side.sure[one.side.points[:, 0] > 5].any()
    found = evidence(one, other, np.eye(4), samples=None)
    assert (found.off > 20) == speaks
    assert (found.off == 0) != speaks


def test_a_pair_that_shares_next_to_nothing_does_not_contradict(gudgeon: tuple[SimulatedCapture, ...]) -> None:
    trees = [ready.seen.tree for ready in prepared([one.capture for one in gudgeon])]
    joint = refined(trees, np.tile(np.eye(4), (2, 1, 1)), rounds=ROUNDS[-1:], moving=False)
    much, chance, foreign = (Evidence(1_000, *counts) for counts in ((800, 2), (0, 1), (0, 12)))
    assert Solution(joint, {(0, 1): much, (0, 2): chance}, ()).contradiction == much.contradiction
    assert Solution(joint, {(0, 1): much, (0, 2): foreign}, ()).contradiction == 1.0
    assert Solution(joint, {(0, 2): chance}, ()).contradiction == 0.0
