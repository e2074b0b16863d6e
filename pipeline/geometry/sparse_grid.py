"""A regular grid that exists only near the data: nodes as sorted integer keys, neighbours by arithmetic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.part import FloatArray

Keys = NDArray[np.int64]
STEP = (np.int64(1) << 42, np.int64(1) << 21, np.int64(1))
"""What a step along x, y or z adds to a node's key: 21 bits an axis."""
MIDDLE = 1 << 20


def packed(nodes: NDArray[np.int64]) -> Keys:
    """Keys of nodes (n, 3), each coordinate within a million of 0."""
    return (nodes[:, 0] + MIDDLE) * STEP[0] + (nodes[:, 1] + MIDDLE) * STEP[1] + (nodes[:, 2] + MIDDLE)


def box_keys(places: FloatArray) -> Keys:
    """Keys of the boxes of edge 1 in which places (n, 3) lie, wherever they are."""
    boxes = np.floor(places).astype(np.int64)
    if not len(boxes):
        return np.zeros(0, np.int64)
    boxes -= boxes.min(axis=0)
    _, wide, high = (int(most) + 1 for most in boxes.max(axis=0))
    return (boxes[:, 0] * wide + boxes[:, 1]) * high + boxes[:, 2]


def unpacked(keys: Keys) -> FloatArray:
    """(n, 3) float coordinates of nodes, in cells."""
    mask = (1 << 21) - 1
    return np.stack([(keys >> 42) - MIDDLE, ((keys >> 21) & mask) - MIDDLE, (keys & mask) - MIDDLE], axis=1).astype(
        float
    )


def found(keys: Keys, wanted: Keys) -> NDArray[np.int64]:
    """Position of each wanted key in the sorted keys, -1 where it is not there."""
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return np.where(keys[at] == wanted, at, -1)


def merged(keys: list[Keys]) -> Keys:
    """Sorted, each once."""
    together = np.concatenate(keys)
    together.sort()
    keep = np.ones(len(together), bool)
    keep[1:] = together[1:] != together[:-1]
    return together[keep]


@dataclass(frozen=True, eq=False, slots=True)
class Field:
    """Signed distance to the surface near the data.

    Attributes
    ----------
    cell : edge length of a grid cell, millimetres
    origin : (3,) where node (0, 0, 0) lies, millimetres
    keys : (n,) the nodes, ascending
    value : (n,) signed distance in cells, positive outside
    """

    cell: float
    origin: FloatArray
    keys: Keys
    value: FloatArray
