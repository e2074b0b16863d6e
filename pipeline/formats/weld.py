"""Corners at exactly the same place become one point."""

from __future__ import annotations

import numpy as np

from pipeline.formats.contents import AnyArray

_MIX = np.uint64(0x9E3779B97F4A7C15)  # 2^64 / golden ratio: Fibonacci hashing (Knuth, TAOCP 3, 6.4)


def weld(corners: AnyArray) -> tuple[AnyArray, AnyArray]:
    """Shared points of triangles that were written corner by corner.

    Parameters
    ----------
    corners : (n, 3) float32

    Returns
    -------
    (k, 3) float32 points in the order of their first use, and (n,) int32 the point of each corner.
    """
    bits = np.ascontiguousarray(corners + np.float32(0)).view(np.uint32).astype(np.uint64)  # -0.0 becomes 0.0
    key = bits[:, 0]
    for column in (1, 2):
        key = (key ^ (key >> np.uint64(29))) * _MIX + bits[:, column]
    key = (key ^ (key >> np.uint64(32))) * _MIX
    point, first = _grouped(key)
    if not np.array_equal(bits[first[point]], bits):  # two places with one key: sort the places themselves
        order = np.lexsort(bits.T[::-1])
        new = np.ones(len(order), bool)
        new[1:] = (bits[order[1:]] != bits[order[:-1]]).any(axis=1)
        key = np.empty(len(order), np.uint64)
        key[order] = np.cumsum(new).astype(np.uint64)
        point, first = _grouped(key)
    return corners[first] + np.float32(0), point


def _grouped(key: AnyArray) -> tuple[AnyArray, AnyArray]:
    """(n,) group of each key, numbered by first appearance, and (k,) where each group first appears."""
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    new = np.ones(len(order), bool)
    new[1:] = ordered[1:] != ordered[:-1]
    first = order[new]
    rank = np.empty(len(first), np.int32)
    by_place = np.argsort(first)
    rank[by_place] = np.arange(len(first), dtype=np.int32)
    group = np.empty(len(order), np.int32)
    group[order] = rank[np.cumsum(new) - 1]
    return group, first[by_place]
