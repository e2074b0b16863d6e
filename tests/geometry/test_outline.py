"""How far a level thing was seen, without single points far out."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.outline import outline_of

UP = np.array([0.0, 0.0, 1.0])


def test_corners_of_a_square_without_its_strays() -> None:
    rng = np.random.default_rng(0)
    square = np.column_stack([rng.uniform(-50, 50, (20_000, 2)), np.zeros(20_000)])
    strays = np.array([[90.0, 0.0, 0.0], [0.0, -95.0, 0.0]])
    found = outline_of(np.vstack([square, strays]), UP)
    assert found is not None
    assert np.abs(np.abs(found[:, :2]).max(axis=0) - 50.0).max() < 3.0


def test_no_area_no_outline() -> None:
    assert outline_of(np.zeros((2, 3)), UP) is None
    assert outline_of(np.column_stack([np.arange(100.0), np.zeros((100, 2))]).repeat(5, axis=0), UP) is None
