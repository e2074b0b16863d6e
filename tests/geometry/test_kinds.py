"""Sorting of keys against numpy's own."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.kinds import ascending, kinds, repeated


@pytest.mark.parametrize("count", [0, 1, 2, 3, 1_000, 1 << 12])
@pytest.mark.parametrize(
    ("low", "high"), [(0, 7), (-5, 5), (0, 1 << 40), (-(1 << 62), (1 << 62) - 1)], ids=["few", "signed", "wide", "huge"]
)
def test_keys_are_sorted_as_numpy_sorts_them(count: int, low: int, high: int) -> None:
    rng = np.random.default_rng(3)
    keys = rng.choice(rng.integers(low, high, max(count // 3, 1), endpoint=True), count)
    order, ordered = ascending(keys)
    assert (order == np.argsort(keys, kind="stable")).all()
    assert (ordered == np.sort(keys)).all()
    found = kinds(keys)
    each, first, inverse, number = np.unique(keys, return_index=True, return_inverse=True, return_counts=True)
    assert (found.keys == each).all()
    assert (found.first == first).all()
    assert (found.of_each == inverse).all()
    assert (found.count == number).all()


def test_keys_of_few_bits_are_sorted_too() -> None:
    keys = np.array([3, -1, 3, 0, -1], np.int32)
    assert kinds(keys).keys.tolist() == [-1, 0, 3]
    assert kinds(keys).order.tolist() == [1, 4, 3, 0, 2]


@pytest.mark.parametrize("spread", [10, 1_000, 10**9])
def test_repeated_keys_are_those_that_the_library_counts_twice(spread: int) -> None:
    for keys in (np.random.default_rng(2).integers(spread, size=2_000), np.arange(5), np.zeros(0), np.full(3, 0.5)):
        _, place, count = np.unique(keys, return_inverse=True, return_counts=True)
        assert np.array_equal(repeated(keys), np.flatnonzero(count[place] > 1))
