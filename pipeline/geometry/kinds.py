"""Equal integer keys brought together: cells and the points in them, edges and the faces beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.part import LongArray

BITS = 63
MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)
FEW = 1_000
"""So few are sorted sooner than two numbers are made one."""


@dataclass(frozen=True, slots=True, eq=False)
class Kinds:
    """Integer keys (n,), sorted.

    Attributes
    ----------
    order : (n,) places of the keys as they rise, equal ones as they came
    keys : (m,) each key once, rising
    start : (m,) where the places of each begin in ``order``
    """

    order: LongArray
    keys: LongArray
    start: LongArray

    @property
    def first(self) -> LongArray:
        """(m,) place of the first of each kind."""
        return self.order[self.start]

    @property
    def count(self) -> LongArray:
        """(m,) how many there are of each kind."""
        return np.append(self.start[1:], len(self.order)) - self.start

    @property
    def of_each(self) -> LongArray:
        """(n,) which kind each one is."""
        kind = np.empty(len(self.order), np.int64)
        kind[self.order] = np.repeat(np.arange(len(self.keys)), self.count)
        return kind


def kinds(keys: NDArray[np.integer[Any]]) -> Kinds:
    """Sort integer keys (n,)."""
    order, ordered = ascending(keys)
    starts = np.ones(len(ordered), bool)
    starts[1:] = ordered[1:] != ordered[:-1]
    start = np.flatnonzero(starts)
    return Kinds(order, ordered[start], start)


def triple_keys(triples: NDArray[np.integer[Any]]) -> NDArray[np.uint64]:
    """(n,) one number for each row (n, 3): equal rows have equal ones; whether equal ones mean that, the rows tell."""
    keys: NDArray[np.uint64] = triples.astype(np.uint64) @ MIX
    return keys


def repeated(keys: NDArray[np.number[Any]]) -> LongArray:
    """(k,) places, rising, of those keys (n,) that occur more than once; few, or sort them with their places."""
    ordered = np.sort(keys)
    found: LongArray = np.flatnonzero(np.isin(keys, ordered[1:][ordered[1:] == ordered[:-1]]))
    return found


def ascending(keys: NDArray[np.integer[Any]]) -> tuple[LongArray, LongArray]:
    """(n,) places of integer keys (n,) as they rise, equal ones as they came, and (n,) the keys in that order.

    Numbers are sorted several times faster than places by their numbers, so a key and its place become one number
    where both fit into it.
    """
    long: LongArray = keys.astype(np.int64, copy=False)
    bits, lowest = len(long).bit_length(), int(long.min(initial=0))
    if len(long) < FEW or (int(long.max()) - lowest).bit_length() + bits > BITS:
        order: LongArray = np.argsort(long, kind="stable")
        return order, long[order]
    both: LongArray = ((long - lowest) << bits) | np.arange(len(long))
    both.sort()
    return both & ((1 << bits) - 1), (both >> bits) + lowest
