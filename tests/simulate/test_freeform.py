"""Bodies of fields against shapes whose surface is known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.simulate import freeform
from pipeline.simulate.solids import solid_of


def test_a_ball_is_a_ball() -> None:
    mesh = freeform.body(
        freeform.ball_chain([(1, 2, 3), (1, 2, 3.001)], [20, 20], 0.1), (-22, -21, -20), (24, 25, 26), 2
    )
    radius = np.linalg.norm(mesh.vertices - [1, 2, 3.0005], axis=1)
    assert np.abs(radius - 20).max() < 0.003
    assert solid_of(mesh).volume() == pytest.approx(4 / 3 * np.pi * 20**3, rel=0.01)  # chords lie inside


def test_a_rounded_box_keeps_its_faces() -> None:
    mesh = freeform.body(freeform.rounded_box((0, 0, 0), (40, 30, 20), 4), (-22, -17, -12), (22, 17, 12), 1.5)
    assert np.abs(mesh.vertices).max(axis=0) == pytest.approx([20, 15, 10], abs=0.003)
    assert solid_of(mesh).genus() == 0


def test_blending_fills_the_crease_and_leaves_the_rest() -> None:
    one, other = freeform.rounded_box((0, 0, 0), (40, 40, 10), 1), freeform.rounded_box((0, 0, 15), (10, 10, 30), 1)
    points = np.array([[5.5, 0, 5.5], [19.0, 0, 6.0], [0, 0, 32.0]])
    sharp, filled = freeform.blend(1e-9, one, other)(points), freeform.blend(6.0, one, other)(points)
    assert filled[0] < sharp[0] - 0.5
    assert filled[1:] == pytest.approx(sharp[1:])
