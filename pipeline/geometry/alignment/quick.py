"""Many poses judged by look-up on grids: what they explain, and what speaks against them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.alignment.field import Field
from pipeline.geometry.alignment.rigid import distinct, inverse, moved_by_each, turned_by_each
from pipeline.geometry.alignment.side import Side, spread
from pipeline.geometry.vectors import dot
from pipeline.part import FloatArray

LOOKS_AT_ONCE = 200_000
REACH_VOXELS = 2.6
BESIDE_VOXELS = 0.5
AGREE = 0.75
DISTINCT_RAD, DISTINCT_SIZE = np.deg2rad(3.0), 0.015


def tallied(
    moving: Side, fixed: Field, poses: FloatArray, samples: int, height_voxels: float
) -> tuple[FloatArray, FloatArray]:
    """Shares of about ``samples`` samples that fall on the other side's surface, and that speak against each pose.

    Against: places that the other side looked through; half as much, as they may be edges, places that lie over or
    under its surface.

    Parameters
    ----------
    poses : (k, 4, 4) ``fixed_from_moving``
    height_voxels : largest height above the surface that is support

    Returns
    -------
    (k,) support and (k,) against, 0 to 1.
    """
    chosen = spread(moving, samples)
    points, normals = moving.points[chosen], moving.normals[chosen]
    tolerance, reach = height_voxels * fixed.voxel, REACH_VOXELS * fixed.voxel
    support, against = np.empty(len(poses)), np.empty(len(poses))
    step = max(1, LOOKS_AT_ONCE // len(chosen))
    for start in range(0, len(poses), step):
        part = slice(start, start + step)
        at, facing = moved_by_each(poses[part], points), turned_by_each(poses[part], normals)
        nearest, empty = fixed.look(at, facing)
        place, outward = fixed.sample(nearest)
        offset = at - place
        height, apart, agree = dot(offset, outward), dot(offset, offset), dot(facing, outward)
        counterpart = (nearest >= 0) & (apart < reach**2) & (agree > AGREE)
        near = counterpart & (np.abs(height) < tolerance)
        off = (
            counterpart & (np.abs(height) > 1.5 * tolerance) & (apart - height**2 < (BESIDE_VOXELS * fixed.voxel) ** 2)
        )
        support[part] = near.mean(axis=1)
        against[part] = (empty & ~near).mean(axis=1) + 0.5 * off.mean(axis=1)
    return support, against


def promising(
    one: Field, other: Field, poses: FloatArray, samples: int, height_voxels: float, cost: float, most: int
) -> NDArray[np.int64]:
    """Indices of the best distinct poses ``other_from_one``, judged both ways.

    Two thirds are chosen with contradiction weighed heavily: the right pose has hardly any, and with little overlap
    it is found by that alone. The others are chosen with a tenth of the weight, for captures that are not clean.
    """
    there = tallied(one.side, other, poses, samples, height_voxels)
    back = tallied(other.side, one, inverse(poses), samples, height_voxels)
    support, against = (there[0] + back[0]) / 2, (there[1] + back[1]) / 2
    size = max(one.side.size, other.side.size)
    chosen: list[int] = []
    for weight, until in ((cost, 2 * most // 3), (cost / 10, most)):
        order = np.argsort(weight * against - support, kind="stable")
        kept = distinct(poses[order], one.side.centre, DISTINCT_RAD, DISTINCT_SIZE * size, most)
        chosen += [int(order[k]) for k in kept if order[k] not in chosen][: until - len(chosen)]
    return np.array(chosen, np.int64)


def quick_scores(moving: Side, fixed: Field, poses: FloatArray, samples: int, *, tight: bool = False) -> FloatArray:
    """(k,) support less twice what speaks against, one way; ``tight`` for poses that have been settled."""
    support, against = tallied(moving, fixed, poses, samples, 0.35 if tight else 1.3)
    return support - 2.0 * against
