"""Who is named when sides do not fit: the odd one where evidence tells, else nobody who may be right."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pytest

from pipeline.geometry.alignment.evidence import Evidence
from pipeline.geometry.alignment.explain import contradiction_words, odd_one
from pipeline.geometry.alignment.graph import Guess
from pipeline.geometry.alignment.solve import Found

NAMES = ("a.ply", "b.ply", "c.ply", "d.ply")
GOOD = Evidence(samples=1_000, support=700)
SLIGHT = Evidence(samples=1_000, support=200, off=1)
WRONG = Evidence(samples=1_000, support=500, off=25)


def found(count: int, good: set[tuple[int, int]], otherwise: Evidence = WRONG) -> Found:
    """What a search offered: the pairs that fit by themselves, and something else for every other."""
    pairs = [(i, j) for i in range(count) for j in range(i + 1, count)]
    offered = {pair: [Guess(np.eye(4), WRONG), Guess(np.eye(4), GOOD if pair in good else otherwise)] for pair in pairs}
    nothing = cast(Any, None)
    return Found(nothing, [], [], (0.0, (0, 1)), np.zeros(count), offered, [nothing] * count)


@pytest.mark.parametrize("otherwise", [WRONG, SLIGHT])
def test_the_side_that_fits_none_is_named_and_not_those_it_drew_apart(otherwise: Evidence) -> None:
    mixed = found(3, {(0, 1)}, otherwise)
    assert odd_one(mixed) == 2
    words = contradiction_words(mixed, (0, 1), 40.0, NAMES)
    assert words.startswith("c.ply fits none of the other captures, which fit one another")
    assert "a.ply" not in words
    assert "b.ply" not in words
    assert odd_one(found(4, {(0, 1), (1, 3)}, otherwise)) == 2


@pytest.mark.parametrize(
    ("count", "good"), [(2, set()), (3, set()), (4, {(0, 1), (2, 3)}), (4, {(0, 1)}), (3, {(0, 1), (1, 2)})]
)
def test_nobody_is_the_odd_one_where_nothing_tells(count: int, good: set[tuple[int, int]]) -> None:
    assert odd_one(found(count, good)) is None


def test_two_that_fit_by_themselves_are_not_said_not_to_fit() -> None:
    chain = found(3, {(0, 1), (1, 2)})
    assert contradiction_words(chain, (0, 1), 4.0, NAMES).startswith(
        "The captures do not all fit together: 4.0 percent"
    )
    assert contradiction_words(chain, (0, 2), 4.0, NAMES).startswith("a.ply and c.ply do not fit: 4.0 percent")
