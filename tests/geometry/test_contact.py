"""Which cuts through a surface only short seams hold together."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.contact import Things, loose_sides


def things(areas: list[int], seams: dict[tuple[int, int], float]) -> Things:
    """Things of so many cells each, and the lengths of their seams."""
    seam = np.zeros((len(areas), len(areas)))
    for (one, other), length in seams.items():
        seam[one, other] = seam[other, one] = length
    return Things(np.repeat(np.arange(len(areas)), areas).astype(np.int32), seam)


def test_what_hangs_on_one_short_seam_is_loose() -> None:
    (sides,) = loose_sides(things([100, 150, 3], {(0, 1): 8.0}), 0.1)
    assert [side.sum() for side in sides] == [150, 100], "specks that touch nothing are on neither side"


def test_many_short_seams_together_hold() -> None:
    shells = things([100, 100, 100], {(0, 1): 8.0, (1, 2): 8.0, (0, 2): 8.0})
    assert not list(loose_sides(shells, 0.1))


@pytest.mark.parametrize("towards_first", [6.0, 4.0])
def test_a_small_thing_goes_with_what_it_has_its_longest_seam_with(towards_first: float) -> None:
    between = things([100, 5, 100], {(0, 1): towards_first, (1, 2): 10.0 - towards_first})
    ((side, _),) = loose_sides(between, 0.1)
    assert side.sum() == (100 if towards_first > 5 else 105)


def test_what_does_not_touch_at_all_is_not_asked_about() -> None:
    assert not list(loose_sides(things([100, 100], {}), 0.1))
    assert not list(loose_sides(things([100], {}), 0.1))
    assert not list(loose_sides(things([10] * 20, {}), 0.1)), "nothing but specks"
    speck = things([100, 100, 1], {(0, 1): 20.0})
    assert not list(loose_sides(speck, 0.1))
