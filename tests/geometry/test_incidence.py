"""Which faces touch which vertex, against a walk over all faces."""

from __future__ import annotations

import numpy as np
from meshes import icosphere

from pipeline.geometry.incidence import Incidence


def test_the_faces_at_some_vertices_are_those_that_a_walk_finds() -> None:
    vertices, faces = icosphere(3)
    faces = np.random.default_rng(3).permutation(faces)[: len(faces) // 2]  # many vertices lose faces, some all
    incidence = Incidence(faces, len(vertices) + 5)
    for chosen in ([0], [7, 3, 7], list(range(0, len(vertices), 9)), [len(vertices) + 2], []):
        walked = np.flatnonzero(np.isin(faces, chosen).any(axis=1))
        assert np.array_equal(incidence.faces_at(np.array(chosen, np.int64)), walked)
