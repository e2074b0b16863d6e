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
from pipeline.geometry.alignment.rigid import distinct, rigid
from pipeline.geometry.alignment.side import Side
from pipeline.geometry.cloud import unit
from pipeline.part import FloatArray

PAIR_POINTS = 800
GUESSES = 32_000
ANGLE_BINS = 14
DISTANCE_BINS = 22
LOOKS = ((40, 5_000), (200, 3_000))
"""How many samples are looked up, and how many guesses go on, in turn."""
THROUGH_COST = 2.0
APART_RAD = np.deg2rad(9.0)
APART_SIZE = 0.03


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
    chosen = _spread(side, PAIR_POINTS)
    points, normals = side.points[chosen], side.normals[chosen]
    way = points[None] - points[:, None]
    distance = np.linalg.norm(way, axis=-1)
    first, second = np.nonzero((distance > 0.10 * size) & (distance < 0.65 * size))
    distance, way = distance[first, second], way[first, second]
    way /= distance[:, None]
    one, other = normals[first], normals[second]
    angles = [np.einsum("ni,ni->n", one, way), np.einsum("ni,ni->n", other, way), np.einsum("ni,ni->n", one, other)]
    # A pair whose line runs along the first normal leaves the turn about it open.
    firm = np.abs(angles[0]) < 0.95
    key = np.floor(distance / size * DISTANCE_BINS).astype(np.int64)
    for cosine in angles:
        key = key * ANGLE_BINS + np.minimum(
            np.arccos(np.clip(cosine, -1, 1)) / np.pi * ANGLE_BINS, ANGLE_BINS - 1
        ).astype(np.int64)
    key, first, second = key[firm], first[firm], second[firm]
    order = np.argsort(key, kind="stable")
    return PairTable(chosen[first[order]].astype(np.int32), chosen[second[order]].astype(np.int32), key[order])


def hypotheses(
    moving: Side, fixed: Field, table: PairTable, fixed_table: PairTable, rng: np.random.Generator, most: int
) -> tuple[FloatArray, FloatArray]:
    """Distinct coarse poses, best first.

    Returns
    -------
    (k, 4, 4) ``fixed_from_moving`` and (k,) scores: supported share less what lies in empty space.
    """
    one, other = _matches(table, fixed_table, rng)
    poses = _poses(moving, fixed.side, table, fixed_table, one, other)
    score = np.zeros(len(poses))
    for samples, keep in LOOKS:
        score = quick_scores(moving, fixed, poses, samples)
        order = np.argsort(-score, kind="stable")[:keep]
        poses, score = poses[order], score[order]
    kept = distinct(poses, moving.centre, APART_RAD, APART_SIZE * max(moving.size, fixed.side.size), most)
    return poses[kept], score[kept]


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
    side = unit(way - np.einsum("ni,ni->n", way, normals)[:, None] * normals)
    return np.stack([normals, side, np.cross(normals, side)], axis=-1)


def quick_scores(moving: Side, fixed: Field, poses: FloatArray, samples: int, *, tight: bool = False) -> FloatArray:
    """(k,) supported share of about ``samples`` samples less what lies in empty space, by look-up.

    ``tight`` is for poses that have been settled.
    """
    chosen = _spread(moving, samples)
    points, normals = moving.points[chosen], moving.normals[chosen]
    tolerance = (0.35 if tight else 1.3) * fixed.voxel
    reach = 2.6 * fixed.voxel
    out = np.empty(len(poses))
    step = max(1, 400_000 // len(chosen))
    for start in range(0, len(poses), step):
        part = poses[start : start + step]
        turn = part[:, :3, :3]
        at = np.matmul(points, np.swapaxes(turn, 1, 2)) + part[:, None, :3, 3]
        facing = np.matmul(normals, np.swapaxes(turn, 1, 2))
        nearest, empty = fixed.look(at, facing)
        height = np.einsum("...i,...i->...", at - fixed.side.points[nearest], fixed.side.normals[nearest])
        apart = np.linalg.norm(at - fixed.side.points[nearest], axis=-1)
        agree = np.einsum("...i,...i->...", facing, fixed.side.normals[nearest])
        near = (nearest >= 0) & (np.abs(height) < tolerance) & (apart < reach) & (agree > 0.75)
        out[start : start + step] = near.mean(axis=1) - THROUGH_COST * (empty & ~near).mean(axis=1)
    return out


def _spread(side: Side, count: int) -> NDArray[np.int64]:
    """About ``count`` samples, evenly spread: every so many along the order in which samples lie in space."""
    return np.unique(np.linspace(0, len(side) - 1, min(count, len(side))).astype(np.int64))
