"""Coarse poses of one side in another's frame: many guesses, each looked up on the other side's grid.

Two oriented points of one side and two of the other that show the same distance and the same three angles (point
pair features: Drost, Ulrich, Navab and Ilic, "Model globally, match locally", 2010) fix a pose. Flat and round faces
hold thousands of equal pairs and say little; so every kind of pair gets the same number of guesses, however common it
is, and the rare ones decide. A guess is kept for what it explains: samples that fall on the other side's surface
facing the same way, less those that fall where the other side looked through.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.alignment.field import Field
from pipeline.geometry.alignment.quick import tallied
from pipeline.geometry.alignment.rigid import rigid
from pipeline.geometry.alignment.side import Side, spread
from pipeline.geometry.cloud import unit
from pipeline.geometry.kinds import ascending
from pipeline.geometry.vectors import inner, length
from pipeline.part import FloatArray

PAIR_POINTS = 800
GUESSES = 32_000
ANGLE_BINS = 14
DISTANCE_BINS = 22
LOOKS = ((40, 10_000), (160, 2_500))
"""How many samples are looked up, and how many guesses go on, in turn."""
PLACE_SIZE = 0.12
"""Poses that lay all corners in the same boxes of this size, as a share of the side's, are one."""
HEIGHT_VOXELS = 1.3
THROUGH_COST = 2.0


@dataclass(frozen=True, eq=False)
class PairTable:
    """Point pairs of one side, ordered by kind.

    Attributes
    ----------
    first, second : (m,) sample indices
    key : (m,) kind of pair, ascending
    """

    first: NDArray[np.int32]
    second: NDArray[np.int32]
    key: NDArray[np.int64]


def pair_table(side: Side, size: float) -> PairTable:
    """All pairs of some of a side's samples that are neither close nor far; ``size`` is common to all sides."""
    chosen = spread(side, PAIR_POINTS)
    points, normals = side.points[chosen], side.normals[chosen]
    way = points[None] - points[:, None]
    distance = length(way)
    first, second = np.nonzero((distance > 0.10 * size) & (distance < 0.65 * size))
    distance, way = distance[first, second], way[first, second]
    way /= distance[:, None]
    one, other = normals[first], normals[second]
    angles = [inner(one, way), inner(other, way), inner(one, other)]
    # A pair whose line runs along the first normal leaves the turn about it open.
    firm = np.abs(angles[0]) < 0.95
    key = np.floor(distance / size * DISTANCE_BINS).astype(np.int64)
    for cosine in angles:
        key = key * ANGLE_BINS + np.minimum(
            np.arccos(np.clip(cosine, -1, 1)) / np.pi * ANGLE_BINS, ANGLE_BINS - 1
        ).astype(np.int64)
    key, first, second = key[firm], first[firm], second[firm]
    order, key = ascending(key)
    return PairTable(chosen[first[order]].astype(np.int32), chosen[second[order]].astype(np.int32), key)


def hypotheses(
    moving: Side, fixed: Field, table: PairTable, fixed_table: PairTable, rng: np.random.Generator
) -> FloatArray:
    """(k, 4, 4) coarse poses ``fixed_from_moving``, best first, at most one of about the same place."""
    one, other = _matches(table, fixed_table, rng)
    poses = _poses(moving, fixed.side, table, fixed_table, one, other)
    for samples, keep in LOOKS:
        support, against = tallied(moving, fixed, poses, samples, HEIGHT_VOXELS)
        order = np.argsort(THROUGH_COST * against - support, kind="stable")
        poses = poses[order]
        poses = poses[_first_of_each_place(poses, moving)][:keep]
    return poses


def _first_of_each_place(poses: FloatArray, side: Side) -> NDArray[np.int64]:
    """Ascending indices of the first pose in each box of the space of poses.

    A pose is told by where it lays four corners of a tetrahedron around the side; common poses would otherwise crowd
    out the rare right one.
    """
    arm = 0.5 * side.size
    corners = side.centre + arm * np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3)
    laid = np.einsum("nij,kj->nki", poses[:, :3, :3], corners) + poses[:, None, :3, 3]
    box = np.floor(laid.reshape(len(poses), 12) / (PLACE_SIZE * side.size)).astype(np.int64)
    _, first = np.unique(box, axis=0, return_index=True)
    return np.sort(first)


def _matches(
    table: PairTable, other: PairTable, rng: np.random.Generator
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row numbers in both tables of equal kinds of pair; each kind as often, as far as it has matches."""
    keys, start, count = np.unique(table.key, return_index=True, return_counts=True)
    other_keys, other_start, other_count = np.unique(other.key, return_index=True, return_counts=True)
    _, a, b = np.intersect1d(keys, other_keys, assume_unique=True, return_indices=True)
    possible = count[a] * other_count[b]
    share = _fair_share(possible, GUESSES)
    taken = np.minimum(possible, share)
    kind = np.repeat(np.arange(len(a)), taken)
    one = start[a][kind] + (rng.random(len(kind)) * count[a][kind]).astype(np.int64)
    two = other_start[b][kind] + (rng.random(len(kind)) * other_count[b][kind]).astype(np.int64)
    return one, two


def _fair_share(possible: NDArray[np.int64], total: int) -> int:
    """The largest equal share that spends no more than ``total``; at least one."""
    low, high = 1, total
    while low < high:
        middle = (low + high + 1) // 2
        if np.minimum(possible, middle).sum() <= total:
            low = middle
        else:
            high = middle - 1
    return low


def _poses(
    moving: Side, fixed: Side, table: PairTable, other: PairTable, one: NDArray[np.int64], two: NDArray[np.int64]
) -> FloatArray:
    """(n, 4, 4) motions that lay pairs on pairs: first points and normals together, the lines in one half plane."""
    at, to = table.first[one], other.first[two]
    frame = _frames(moving.points[at], moving.normals[at], moving.points[table.second[one]])
    target = _frames(fixed.points[to], fixed.normals[to], fixed.points[other.second[two]])
    turn = np.einsum("nij,nkj->nik", target, frame)
    return rigid(turn, fixed.points[to] - np.einsum("nij,nj->ni", turn, moving.points[at]))


def _frames(points: FloatArray, normals: FloatArray, towards: FloatArray) -> FloatArray:
    way = towards - points
    side = unit(way - inner(way, normals)[:, None] * normals)
    return np.stack([normals, side, np.cross(normals, side)], axis=-1)
