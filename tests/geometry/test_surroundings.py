"""What cleaning takes away is remembered as a thin, even witness of what the capture looked through."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from pipeline.geometry.samples import samples_of
from pipeline.geometry.sampling import point_spacing
from pipeline.geometry.surroundings import MOST_POINTS, in_surroundings, remembering
from pipeline.part import Capture
from pipeline.simulate.scene import Label
from tests.cleaning import simulated, worked


def _board(count: int, height: float = 0.0) -> Capture:
    rng = np.random.default_rng(7)
    points = np.column_stack([rng.uniform(0, 100, (count, 2)), np.full(count, height)])
    return Capture("board.ply", points, np.tile([0.0, 0.0, 1.0], (count, 1)).astype(np.float32))


def test_nothing_removed_nothing_remembered() -> None:
    board = _board(1_000)
    kept = remembering(board, samples_of(board), np.zeros(1_000, bool))
    assert kept.surroundings is None
    assert np.array_equal(in_surroundings(kept).points, board.points)


def test_a_large_removal_is_sampled_and_adds_to_what_was_known() -> None:
    board = _board(4 * MOST_POINTS)
    first = np.arange(len(board.points)) < len(board.points) // 2
    once = remembering(board.select(~first), samples_of(board), first)
    assert once.surroundings is not None
    assert len(once.surroundings.points) == pytest.approx(MOST_POINTS / 2, rel=0.02)
    twice = remembering(once, samples_of(board), ~first)
    assert twice.surroundings is not None
    assert len(twice.surroundings.points) > 1.9 * len(once.surroundings.points)


def test_part_and_surroundings_come_out_equally_dense() -> None:
    board = _board(200_000)
    gone = board.points[:, 0] > 50
    both = in_surroundings(remembering(board.select(~gone), samples_of(board), gone))
    left, right = (both.points[side] for side in (both.points[:, 0] < 45, both.points[:, 0] > 55))
    assert point_spacing(left) == pytest.approx(point_spacing(right), rel=0.1)
    assert both.normals is not None
    assert both.normals[:, 2].min() > 0.99


def test_the_cleaning_remembers_the_table_and_not_the_strays() -> None:
    shot = simulated("gudgeon", riser="block")
    cleaned, _ = worked(shot.capture)
    assert cleaned.surroundings is not None
    strays = shot.capture.points[np.isin(shot.labels, (Label.FLYING, Label.STRAY))]
    assert len(cleaned.surroundings.points) > 1_000
    assert np.mean(np.asarray(cKDTree(strays).query(cleaned.surroundings.points)[0]) < 1e-9) < 0.02
