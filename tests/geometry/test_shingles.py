"""Captures made fit to be looked at."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import icosphere

from pipeline.geometry.measure import face_vectors
from pipeline.geometry.shingles import shingled, standing
from pipeline.part import Capture


def test_captures_stand_upright_and_keep_apart() -> None:
    rng = np.random.default_rng(0)
    flat = rng.uniform(-50, 50, (40_000, 3)) * [1, 1, 0]
    wall = flat[:, (0, 2, 1)] + [0, 300, 0]  # stands on a plane whose normal is y
    plane = np.array([0.0, 1, 0, -300])
    places, sides, cell = standing([Capture("a.ply", flat), Capture("b.ply", wall, support_plane=plane)])
    assert set(sides.tolist()) == {1, 2}
    assert len(places) < 40_000
    assert 0 < cell < 5
    for side in (1, 2):
        assert np.ptp(places[sides == side][:, 2]) == pytest.approx(0, abs=1e-6)


def test_shingles_lie_on_the_surface_and_face_outwards() -> None:
    points, _ = icosphere(4, 30.0)
    mesh = shingled(points, 2.0)
    assert len(mesh.faces) == len(points)
    vectors = face_vectors(mesh.vertices, mesh.faces)
    turn = np.einsum("ni,ni->n", vectors, points) / (np.linalg.norm(vectors, axis=1) * 30.0)
    assert turn.min() > 0.95
