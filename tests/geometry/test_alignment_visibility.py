"""Where a capture looked through: openings of the part, with table and paper behind them."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.alignment.side import measured, side
from pipeline.geometry.alignment.visibility import Pictures, pictures, seen_through
from pipeline.part import Capture

SPACING, CELL = 0.5, 1.5
THICK, HEIGHT = 4.0, 25.0


def drilled_plate(radius_mm: float, *, table: bool, of_table: slice = slice(None)) -> Pictures:
    """A plate of 60 x 40 mm seen from above, its hole's wall with it, and the table below it, or some points of it."""
    rng = np.random.default_rng(0)
    grid = np.stack(np.meshgrid(np.arange(-30, 30, SPACING), np.arange(-20, 20, SPACING)), axis=-1).reshape(-1, 2)
    face = grid[np.linalg.norm(grid, axis=1) > radius_mm]
    turn, down = np.meshgrid(np.arange(0, 2 * np.pi, SPACING / radius_mm), np.arange(0, THICK, SPACING))
    out = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=-1).reshape(-1, 3)
    wall = radius_mm * out - np.column_stack([np.zeros((out.shape[0], 2)), down.reshape(-1)])
    points = np.concatenate([np.column_stack([face, np.zeros(len(face))]), wall])
    points += rng.normal(0, 0.02, points.shape)
    normals = np.concatenate([np.tile([0.0, 0, 1], (len(face), 1)), -out]).astype(np.float32)
    below = np.stack(np.meshgrid(np.arange(-90, 90, 1.0), np.arange(-90, 90, 1.0)), axis=-1).reshape(-1, 2)
    around = Capture("around", np.column_stack([below, np.full(len(below), -HEIGHT)])[of_table]) if table else None
    capture = Capture("plate.ply", points, normals, support_plane=np.array([0, 0, 1.0, HEIGHT]), surroundings=around)
    return pictures(side(measured(capture), CELL, 3 * SPACING))


def looked_through(drawn: Pictures, *place: float) -> bool:
    return bool(seen_through(drawn.judge(np.array([place]), np.array([[0.0, 0, 1]])))[0])


@pytest.mark.parametrize("radius_mm", [4.0, 6.0, 10.0])
def test_a_hole_shows_the_table(radius_mm: float) -> None:
    """From most directions the hole's own rim hides its middle: those tell nothing, and the others show the table."""
    drawn = drilled_plate(radius_mm, table=True)
    assert looked_through(drawn, 0, 0, 0)
    assert not looked_through(drawn, 20, 10, 0)
    assert not looked_through(drawn, 20, 10, -THICK)  # the underside may well be there: the face hides it


def test_with_nothing_behind_it_a_hole_tells_nothing() -> None:
    assert not looked_through(drilled_plate(4.0, table=False), 0, 0, 0)
    assert not looked_through(drilled_plate(4.0, table=True, of_table=slice(1)), 0, 0, 0)  # one point is no table


def test_beside_the_plate_the_table_is_seen_and_no_plate() -> None:
    assert looked_through(drilled_plate(4.0, table=True), 36, 0, 0)
