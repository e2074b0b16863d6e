"""Folds taken out of a moved surface."""

from __future__ import annotations

import numpy as np
from meshes import icosphere

from pipeline.geometry.measure import face_vectors
from pipeline.geometry.unfold import unfolded


def turned_over(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    return np.einsum("ni,ni->n", face_vectors(vertices, faces), vertices[faces].mean(axis=1)) < 0


def test_a_vertex_pushed_over_its_neighbours_comes_back_and_nobody_else_moves() -> None:
    vertices, faces = icosphere(4, 20.0)
    outward = vertices / 20.0
    pushed = vertices.copy()
    for k in (100, 900, 1700):
        across = np.cross(outward[k], [0.3, 0.5, 0.8])
        pushed[k] += 3.0 * across / np.linalg.norm(across)
    assert turned_over(pushed, faces).sum() >= 3
    placed = unfolded(pushed, faces, outward)
    assert not turned_over(placed, faces).any()
    assert np.array_equal(np.delete(placed, [100, 900, 1700], axis=0), np.delete(vertices, [100, 900, 1700], axis=0))


def test_a_surface_without_folds_is_left_alone() -> None:
    vertices, faces = icosphere(4, 20.0)
    stretched = vertices * [1.0, 1.2, 0.9]
    assert np.array_equal(unfolded(stretched, faces, vertices / 20.0), stretched)
