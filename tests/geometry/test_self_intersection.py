"""Faces that pass through one another, counted beside another library's exact-predicate count."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from meshes import box, cgal_meshes, icosphere, read_off

from pipeline.geometry.self_intersection import crossed_faces


def by_pymeshlab(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    import pymeshlab

    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(vertices, faces))
    meshes.compute_selection_by_self_intersections_per_face()
    return np.array(meshes.current_mesh().face_selection_array())


@pytest.mark.parametrize("shift", [(30.0, 3.0, 2.0), (45.0, 0.3, 0.2), (120.0, 0.0, 0.0)])
def test_two_spheres(shift: tuple[float, float, float]) -> None:
    vertices, faces = icosphere(4)
    both = np.vstack([vertices, 0.9 * vertices + shift])
    joined = np.vstack([faces, faces + len(vertices)]).astype(np.int32)
    found = crossed_faces(both, joined)
    assert np.array_equal(found, by_pymeshlab(both, joined))
    assert found.any() == (shift[0] < 60)
    among = np.arange(len(joined)) >= len(faces)
    assert np.array_equal(crossed_faces(both, joined, among), found)


def test_touching_is_no_crossing() -> None:
    vertices, faces = box((10, 10, 10))
    stacked = np.vstack([vertices, vertices + [0, 0, 10]])
    assert not crossed_faces(stacked, np.vstack([faces, faces + len(vertices)]).astype(np.int32)).any()


@pytest.mark.parametrize("name", ["elephant", "anchor", "cheese", "turbine", "pig"])
def test_public_meshes(debian_package: Callable[[str], Path], name: str) -> None:
    vertices, faces = read_off(cgal_meshes(debian_package("libcgal-demo")) / f"{name}.off")
    assert np.array_equal(crossed_faces(vertices, faces), by_pymeshlab(vertices, faces))


def test_far_from_the_origin() -> None:
    vertices, faces = icosphere(3)
    both = np.vstack([vertices, vertices + [30, 3, 2]])
    joined = np.vstack([faces, faces + len(vertices)]).astype(np.int32)
    assert np.array_equal(crossed_faces(both + 1e4, joined), crossed_faces(both, joined))


def test_asked_of_scattered_faces_it_finds_all_that_cross_them() -> None:
    """A few places all over a part were given back: only there it may cross now."""
    vertices, faces = icosphere(4)
    both = np.vstack([vertices, 0.97 * vertices + [1.5, 0.4, 0.2]])
    joined = np.vstack([faces, faces + len(vertices)]).astype(np.int32)
    whole = crossed_faces(both, joined)
    among = np.random.default_rng(1).random(len(joined)) < 0.02
    found = crossed_faces(both, joined, among)
    assert np.array_equal(found[among], whole[among])
    assert found[among].any()
    assert found[~among].any()
    assert not (found & ~whole).any()
