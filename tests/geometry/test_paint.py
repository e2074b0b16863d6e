"""Two paints learned from cells of which most are rightly named, and told apart only where they differ."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.paint import Paints, alike, hues, learned
from pipeline.geometry.voxels import voxels

BRONZE, PAPER, SLATE = (176, 141, 87), (226, 224, 216), (70, 70, 74)


def _shaded(colour: tuple[int, int, int], count: int, seed: int) -> np.ndarray:
    """(count, 3) a colour under light from 45 to 100 %, with the camera's noise."""
    rng = np.random.default_rng(seed)
    return hues(np.array(colour) * rng.uniform(0.45, 1.0, (count, 1)) + rng.normal(0, 1.5, (count, 3)))


def _bronze_and_paper(wrong: int = 0) -> Paints | None:
    """Learned from 600 cells of each; of those said to be of the part, ``wrong`` are paper."""
    hue = np.vstack([_shaded(BRONZE, 600 - wrong, 1), _shaded(PAPER, 600 + wrong, 2)])
    part = np.arange(1200) < 600
    return learned(hue, part, ~part)


@pytest.mark.parametrize("wrong", [0, 150])
def test_shading_does_not_matter_nor_do_some_wrong_examples(wrong: int) -> None:
    paints = _bronze_and_paper(wrong)
    assert paints is not None
    assert paints.told_apart > 0.95
    assert (paints.belief(_shaded(BRONZE, 500, 3)) > 0.9).mean() > 0.97
    assert (paints.belief(_shaded(PAPER, 500, 4)) < 0.1).mean() > 0.97


def test_a_third_paint_is_of_neither() -> None:
    paints = _bronze_and_paper()
    assert paints is not None
    assert (paints.belief(_shaded(SLATE, 500, 5)) == 0.5).mean() > 0.9


def test_one_paint_is_not_told_apart_from_itself() -> None:
    hue = np.vstack([_shaded(PAPER, 600, 1), _shaded(PAPER, 600, 2)])
    part = np.arange(1200) < 600
    assert learned(hue, part, ~part) is None


def test_nothing_is_learned_of_hardly_anything() -> None:
    hue = _shaded(BRONZE, 100, 1)
    part = np.arange(100) < 90
    assert learned(hue, part, ~part) is None


@pytest.mark.parametrize(
    ("one", "other", "same"), [(BRONZE, BRONZE, True), (BRONZE, SLATE, False), (PAPER, PAPER, False)]
)
def test_two_things_are_of_one_paint_where_it_has_a_hue(
    one: tuple[int, int, int], other: tuple[int, int, int], same: bool
) -> None:
    rng = np.random.default_rng(8)
    points = np.mgrid[0:40, 0:40, 0:1].reshape(3, -1).T.astype(float)
    first = points[:, 0] < 20
    colours = np.where(first[:, None], one, other) * rng.uniform(0.45, 1.0, (len(points), 1))
    cells = voxels(points, 1.5)
    assert alike(cells, colours.astype(np.uint8), first, ~first) is same
