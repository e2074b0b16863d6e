"""What went close to the part is asked for its paint."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.clutter import Separation, _size_fits
from pipeline.geometry.separation import all_its_own, own_went
from pipeline.geometry.voxels import voxels

BLUE, GREY, OCHRE = (40, 80, 190), (150, 150, 150), (200, 160, 30)


@pytest.mark.parametrize(("paint", "distance", "asked"), [(BLUE, 42.0, True), (GREY, 42.0, False), (BLUE, 90.0, False)])
def test_a_piece_of_the_parts_paint_that_went_close_by_is_missed(
    paint: tuple[int, int, int], distance: float, asked: bool
) -> None:
    rng = np.random.default_rng(0)
    part, piece = rng.uniform(0, 40, (20_000, 3)), rng.uniform(0, 12, (2_000, 3)) + [distance, 0, 0]
    paper = rng.uniform(0, 30, (10_000, 3)) + [0, 100, 0]
    points = np.vstack([part, piece, paper])
    shade = rng.normal(1.0, 0.03, (len(points), 1))
    colours = np.vstack([np.tile(BLUE, (20_000, 1)), np.tile(paint, (2_000, 1)), np.tile(GREY, (10_000, 1))]) * shade
    keep = np.arange(len(points)) < 20_000
    found = Separation(keep, (), 0.0, np.zeros(len(points), bool), grounded=True)
    assert own_went(found, voxels(points, 2.0), np.clip(colours, 0, 255).astype(np.uint8)) is asked


@pytest.mark.parametrize(
    ("paint", "count", "told"), [(GREY, 2_000, False), (BLUE, 2_000, True), (OCHRE, 2_000, True), (GREY, 18_000, False)]
)
def test_what_stayed_in_the_paint_of_what_went_is_missed_no_more(
    paint: tuple[int, int, int], count: int, told: bool
) -> None:
    """Paper of which a sheet stayed; a part in one paint, in two, and half in that of the paper: which half is it?"""
    rng = np.random.default_rng(0)
    points = np.vstack([rng.uniform(0, 40, (20_000, 3)), rng.uniform(0, 40, (20_000, 3)) + [0, 100, 0]])
    shade = rng.normal(1.0, 0.03, (len(points), 1))
    colours = np.repeat([BLUE, GREY], 20_000, axis=0)
    colours[np.argsort(points[:20_000, 0])[:count]] = paint
    found = Separation(np.arange(len(points)) < 20_000, (), 0.0, np.zeros(len(points), bool), grounded=True)
    assert all_its_own(found, voxels(points, 2.0), np.clip(colours * shade, 0, 255).astype(np.uint8)) is told


def test_where_nothing_else_stood_nothing_can_have_stayed() -> None:
    points = np.random.default_rng(0).uniform(0, 40, (20_000, 3))
    found = Separation(np.ones(len(points), bool), (), 0.0, np.zeros(len(points), bool), grounded=True)
    assert all_its_own(found, voxels(points, 2.0), np.tile(np.array(BLUE, np.uint8), (len(points), 1)))


def test_strays_do_not_make_the_part_larger_than_declared_but_a_piece_does() -> None:
    """Size and strays as after the removal of paper that stood there: a few points, centimetres off and apart."""
    rng = np.random.default_rng(0)
    across = rng.uniform(-1, 1, (20_000, 3)) * (40, 30, 3)
    face = rng.integers(0, 3, len(across))
    across[np.arange(len(across)), face] = np.array([40, 30, 3])[face] * np.sign(across[np.arange(len(across)), face])
    strays = np.array([[0.0, 0, 25], [8, 5, 28], [-12, 9, 21], [30, -20, 17]])
    piece = rng.uniform(0, 3, (100, 3)) + [0, 0, 25]
    size = (80.0, 60.0, 6.0)
    assert _size_fits(np.vstack([across, strays]), size)
    assert not _size_fits(np.vstack([across, piece]), size)
    assert not _size_fits(0.6 * across, size)
