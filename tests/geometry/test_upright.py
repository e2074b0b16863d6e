"""Where the ends of a part lie, for the origin of its standard pose."""

from __future__ import annotations

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

from pipeline.geometry.upright import middle_between
from pipeline.part import Mesh

NOISE = 0.05


def test_the_middle_between_round_ends_does_not_hang_on_how_their_faces_lie() -> None:
    """An egg of half axes 40, 20, 60, coarse and a little rough, its faces laid anew each time.

    By symmetry its middle is its centre; an end that passes for flat on one side only, or faces that are in or out as
    chance will have it, put it elsewhere.
    """
    ball = trimesh.creation.icosphere(subdivisions=3, radius=1)
    found = []
    for seed in range(20):
        laid = Rotation.random(random_state=seed).apply(ball.vertices) * (40, 20, 60)
        rough = laid + np.random.default_rng(seed).normal(size=laid.shape) * NOISE * 0.4
        middle = middle_between(Mesh(rough, ball.faces), np.array([1.0, 0, 0]), NOISE, round_ends=True)
        assert middle is not None
        found.append(middle)
    assert np.std(found) < NOISE / 4


def test_a_tip_has_no_end_and_a_box_has_flat_ones() -> None:
    box = trimesh.creation.box((40, 30, 20)).subdivide_to_size(3.0)
    along = np.array([1.0, 0, 0])
    for round_ends in (True, False):
        assert np.isclose(middle_between(Mesh(box.vertices, box.faces), along, NOISE, round_ends=round_ends), 0)
    cone = trimesh.creation.cone(radius=10, height=60, sections=64).subdivide_to_size(3.0)
    assert middle_between(Mesh(cone.vertices, cone.faces), np.array([0, 0, 1.0]), NOISE, round_ends=True) is None
