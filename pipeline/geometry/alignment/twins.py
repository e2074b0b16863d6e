"""Looking for twins: other poses of one side that might explain everything as well, sought where symmetry puts them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.geometry.alignment.graph import Ready
from pipeline.geometry.alignment.icp import settled
from pipeline.geometry.alignment.quick import quick_scores
from pipeline.geometry.alignment.rigid import distinct, inverse, moved, turned_about
from pipeline.geometry.constraint import constraint
from pipeline.part import FloatArray, LongArray

STEP_DEG = 6.0
DISTINCT_DEG, DISTINCT_SIZE = 5.0, 0.02
"""Poses that differ by less, in angle and over the size of the side, are the same."""
SETTLED = 12
"""So many turns are settled before the best of them are chosen: where sides lie wrong, the right turn is not the one
that has most in common before it has settled."""
LEVEL = 0.98
"""From this share of the score of the pose itself on another turn is as good."""
AS_GOOD = 0.95
"""The same of poses that have settled, told by few samples."""


def turned_poses(ready: Sequence[Ready], poses: FloatArray, k: int, most: int = 4) -> list[FloatArray]:
    """The ``most`` best poses of side ``k`` in the part's frame, turned about the whole's own axes and settled anew.

    The axes are the principal ones of all samples and the firmest and weakest turns of the whole; a symmetry of the
    part is a turn about one of them. Those that are as good as the pose itself are all there, best first: of a wheel
    with twelve teeth and a key one of twelve is right, and hardly better.
    """
    points = np.concatenate([moved(pose, one.seen.side.points[::4]) for pose, one in zip(poses, ready, strict=True)])
    normals = np.concatenate(
        [one.seen.side.normals[::4] @ pose[:3, :3].T for pose, one in zip(poses, ready, strict=True)]
    )
    whole = constraint(points, normals)
    weakest = whole.motions(below=np.inf)
    axes = [(axis, whole.centre) for axis in whole.axes]
    axes += [(m.axis, m.through) for m in weakest if np.linalg.norm(m.turn) > 0.3][:3]
    angles = np.deg2rad(np.arange(0.0, 360.0, STEP_DEG))
    tried = np.array([turned_about(axis, through, angle) @ poses[k] for axis, through in axes for angle in angles])
    side = ready[k].seen.side
    found = [poses[k]]
    turns = _scores(ready, poses, k, tried, 300).reshape(len(axes), len(angles))
    order = _peaks(turns)[: 6 * SETTLED]
    kept = [order[i] for i in distinct(tried[order], side.centre, np.deg2rad(9), 0.04 * side.size, SETTLED)]
    for index in kept:
        j = _closest(ready, poses, k, tried[index])
        found.append(poses[j] @ settled(side, ready[j].field, (inverse(poses[j]) @ tried[index])[None])[0])
    array = np.array(found)
    score = _scores(ready, poses, k, array, 400, tight=True)
    order = np.append(0, 1 + np.argsort(-score[1:], kind="stable"))  # what has settled back to the pose is none
    near = np.deg2rad(DISTINCT_DEG), DISTINCT_SIZE * side.size
    others = [order[i] for i in distinct(array[order], side.centre, *near, len(order))][1:]
    return [array[i] for rank, i in enumerate(others) if rank < most or score[i] >= AS_GOOD * score[0]]


def _scores(
    ready: Sequence[Ready], poses: FloatArray, k: int, tried: FloatArray, samples: int, *, tight: bool = False
) -> FloatArray:
    """(m,) quick scores of poses (m, 4, 4) of side ``k`` against all other sides."""
    score = np.zeros(len(tried))
    for j, other in enumerate(ready):
        if j != k:
            score += quick_scores(ready[k].seen.side, other.field, inverse(poses[j]) @ tried, samples, tight=tight)
    return score


def _peaks(score: FloatArray) -> LongArray:
    """(k,) turns, numbered along axes and angles, where the score (axes, angles) peaks or never falls, best first.

    A little way off the pose itself, where every turn begins, all still fits well, and settles back to it. But where
    it fits as well as before, as all round a turned part, that is another pose; the farther, the surer.
    """
    level = LEVEL * score[:, :1]
    peak = (score >= np.roll(score, 1, axis=1)) & (score > np.roll(score, -1, axis=1)) | (score > level)
    peak[:, 0] = False
    far = np.minimum(np.arange(score.shape[1]), score.shape[1] - np.arange(score.shape[1]))
    order = np.lexsort((-np.broadcast_to(far, score.shape).ravel(), -np.minimum(score, level).ravel()))
    found: LongArray = order[peak.ravel()[order]]
    return found


def _closest(ready: Sequence[Ready], poses: FloatArray, k: int, pose: FloatArray) -> int:
    """The other side that supports this pose of side ``k`` best."""
    scores = [
        quick_scores(ready[k].seen.side, other.field, (inverse(poses[j]) @ pose)[None], 300)[0] if j != k else -np.inf
        for j, other in enumerate(ready)
    ]
    return int(np.argmax(scores))
