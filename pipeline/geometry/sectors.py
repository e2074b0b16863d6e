"""Directions all round a place in a plan: how far something reaches in each."""

from __future__ import annotations

import numpy as np

from pipeline.part import FloatArray, IndexArray

SECTORS = 36


def sector_of(at: FloatArray, count: int = SECTORS) -> IndexArray:
    """(n,) the sector, of so many equal ones all round the origin, in which places (n, 2) lie."""
    sector: IndexArray = np.floor((np.arctan2(at[:, 1], at[:, 0]) + np.pi) / (2.0 * np.pi) * count).astype(int) % count
    return sector


def share_around(at: FloatArray, count: int = SECTORS) -> float:
    """Share of so many equal directions all round the origin in which there are places (n, 2)."""
    return len(np.unique(sector_of(at, count))) / count


def furthest(at: FloatArray) -> FloatArray:
    """(SECTORS,) how far places (n, 2) reach from the origin in each direction; 0 where there are none."""
    reach = np.zeros(SECTORS)
    np.maximum.at(reach, sector_of(at), np.hypot(at[:, 0], at[:, 1]))
    return reach


def filled_in(corners: FloatArray) -> FloatArray:
    """Points along the way from each corner of an outline to the next, so that every direction has some."""
    share = np.linspace(0.0, 1.0, 64)[:, None, None]
    along: FloatArray = (corners * (1.0 - share) + np.roll(corners, -1, axis=0) * share).reshape(-1, 2)
    return along
