"""Faces set aside go back into their place, and the surface stays whole."""

from __future__ import annotations

import fast_simplification
import numpy as np
import trimesh

from pipeline.geometry.sparing import sparing
from pipeline.part import FloatArray, IndexArray

BALL = trimesh.creation.icosphere(subdivisions=4, radius=10.0)
VERTICES, FACES = np.array(BALL.vertices), np.array(BALL.faces, np.int32)
CAP = BALL.triangles_center[:, 2] > 7.0


def collapse(vertices: FloatArray, faces: IndexArray) -> tuple[FloatArray, IndexArray]:
    found = fast_simplification.simplify(vertices, np.array(faces), target_count=500, preserve_border=True)
    return found[0], found[1].astype(np.int32)


def test_what_is_set_aside_stays_and_the_seam_closes() -> None:
    found = sparing(VERTICES, FACES, CAP, collapse)
    assert found is not None
    mesh = trimesh.Trimesh(*found, process=False)
    assert len(mesh.faces) < 0.4 * len(FACES)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.euler_number == 2
    kept = {tuple(corners) for corners in np.round(mesh.triangles.reshape(-1, 9), 6)}
    assert all(tuple(corners) in kept for corners in np.round(BALL.triangles[CAP].reshape(-1, 9), 6))


def test_with_nothing_aside_it_is_the_work_itself() -> None:
    found = sparing(VERTICES, FACES, np.zeros(len(FACES), bool), collapse)
    assert found is not None
    assert len(found[1]) == len(collapse(VERTICES, FACES)[1])


def test_work_that_moves_the_border_is_refused() -> None:
    assert sparing(VERTICES, FACES, CAP, lambda vertices, faces: (vertices + 0.01, faces)) is None
