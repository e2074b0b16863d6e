"""Moments of the enclosed volume, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import box, frustum, icosphere, without_cap

from pipeline.geometry import measure
from pipeline.geometry.moments import Moments, moments_of
from pipeline.part import Mesh


def moments(mesh: Mesh) -> Moments:
    found = moments_of(mesh)
    assert found is not None
    return found


def test_second_moments_of_a_box() -> None:
    # G5: inertia / m = diag(8, 16, 20.8)e6 / 48000 belongs to <x^2> = a^2 / 12
    found = moments(Mesh(*box((60, 40, 20))))
    assert found.second == pytest.approx(np.diag([60**2, 40**2, 20**2]) / 12, rel=1e-12)
    vertices, faces = frustum(30, 20, 50, corners=48)
    moved = moments(Mesh(vertices + [7, -3, 11], faces))
    tensor = measure.volume(vertices, faces) * (np.trace(moved.second) * np.eye(3) - moved.second)
    assert tensor == pytest.approx(measure.inertia(vertices, faces), rel=1e-9, abs=1e-3)


def test_lean_of_a_pyramid() -> None:
    """A pyramid of height h: <(z - h/4)^3> = h^3 / 160, by integration of (1 - z/h)^2 dz."""
    vertices = np.array([[1, 1, 0], [-1, 1, 0], [-1, -1, 0], [1, -1, 0], [0, 0, 2.0]])
    faces = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4], [0, 2, 1], [0, 3, 2]], np.int32)
    found = moments(Mesh(vertices, faces))
    assert found.centre == pytest.approx([0, 0, 0.5])
    assert found.lean(np.array([0, 0, 1.0])) * found.radius**3 == pytest.approx(8 / 160)
    assert found.lean(np.array([1.0, 0, 0])) == pytest.approx(0, abs=1e-12)


def test_folds_of_a_square_block() -> None:
    """Over a square of side a <(x + iy)^4> = -a^4 / 60, as 2 <x^4> = a^4 / 40 and 6 <x^2>^2 = a^4 / 24; by hand."""
    across = np.eye(3)[:2]
    found = moments(Mesh(*box((30, 30, 20)))).folds(across, 6)
    assert found[0] == pytest.approx(1.0)
    assert found[4] == pytest.approx(-(30**4) / 60 / 450**2 * 3)
    assert np.abs(found[[1, 2, 3, 5, 6]]) == pytest.approx(0, abs=1e-12)
    half = np.sqrt(0.5)
    turned = moments(Mesh(*box((30, 30, 20)))).folds(np.array([[half, half, 0], [-half, half, 0]]), 4)
    assert turned[4] == pytest.approx(-found[4]), "corners and sides change places"


def test_what_is_open_is_closed_for_the_count_and_said() -> None:
    whole, opened = Mesh(*icosphere(4, 30)), Mesh(*without_cap(*icosphere(4, 30), (0, 0, 30), 8))
    found = moments(opened)
    assert found.centre == pytest.approx([0, 0, 0], abs=0.2)
    assert found.guessed == pytest.approx(0.02, abs=0.005)  # the cap's share, (r / 2R)^2
    assert moments(whole).guessed == 0
    filled = np.arange(len(whole.faces)) < 512
    assert moments(Mesh(whole.vertices, whole.faces, filled)).guessed == pytest.approx(0.1, abs=0.01)


def test_a_sheet_encloses_nothing() -> None:
    flat = np.array([[0.0, 0, 0], [9, 0, 0], [0, 9, 0], [9, 9, 0]])
    assert moments_of(Mesh(flat, np.array([[0, 1, 2], [1, 3, 2]], np.int32))) is None


def test_a_surface_whose_spread_is_negative_encloses_nothing() -> None:
    """A long bar turned inside out in a ball, as shells seen from one side are: no pose can be told from it."""
    (ball, ball_faces), (bar, bar_faces) = icosphere(3, 10.0), box((200, 2, 2))
    faces = np.vstack([ball_faces, bar_faces[:, ::-1] + np.int32(len(ball))])
    assert moments_of(Mesh(np.vstack([ball, bar]), faces)) is None
