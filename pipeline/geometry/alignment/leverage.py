"""How sure poses are, by leaving out one patch of what the sides have in common after the other.

The covariance of the normal equations takes errors for independent and all places for equally good. Where one fillet
or one end face holds a motion, its own error moves the pose, however many samples it has. The poses that come out
without each patch in turn say by how much (jackknife with groups: Tukey 1958; Shao & Tu, *The Jackknife and Bootstrap*,
1995; cited from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.cluster.vq import kmeans2

from pipeline.geometry.alignment.joint import (
    ROUNDS,
    SAMPLES,
    Joint,
    Link,
    Marks,
    SixD,
    best_motions,
    equations,
    links_between,
    with_marks,
)
from pipeline.geometry.weights import tukey
from pipeline.part import FloatArray

PATCHES = 24
PATCH_SIZE = 0.15
"""Size of a patch over that of the part at which place counts as much as a turn of the normal by a radian."""
REACH, WIDTH = ROUNDS[-1]
DAMPING = 1e-9
"""Of motions that nothing holds without a patch: far less than in the refinement, for how far they go is the answer."""


def pose_shifts(trees: Sequence[SixD], joint: Joint, marks: Marks, mark_noise_mm: float) -> FloatArray:
    """How all poses but the first would move without each patch.

    Returns
    -------
    (patches, n - 1, 6) turns (times ``joint.length``, about ``joint.centre``) and slides, millimetres.
    """
    links = links_between(trees, joint.poses, REACH, SAMPLES)
    if not links:
        return np.zeros((0, len(trees) - 1, 6))
    parts = [
        equations(links, weights, len(trees), joint.centre, joint.length) for weights in _by_patch(links, trees, joint)
    ]
    matrix, right = np.sum([a for a, _ in parts], axis=0), np.sum([b for _, b in parts], axis=0)
    whole = _solved(matrix, right, joint, marks, mark_noise_mm)
    shifts = [_solved(matrix - a, right - b, joint, marks, mark_noise_mm) - whole for a, b in parts]
    return np.array(shifts)


def _by_patch(links: Sequence[Link], trees: Sequence[SixD], joint: Joint) -> list[list[FloatArray]]:
    """For each patch the weights of all links, nothing outside of it; patches are near in place and normal."""
    place = np.concatenate([(p + q) / 2 for _, _, p, q, _, _ in links])
    normal = np.concatenate([normal for *_, normal, _ in links])
    size = PATCH_SIZE * max(one.side.size for one in trees)
    count = min(PATCHES, len(place))
    patch = kmeans2(np.hstack([place / size, normal]), count, minit="++", seed=0)[1]
    weight = tukey(np.concatenate([height for *_, height in links]), WIDTH * joint.residual_mm)
    ends = np.cumsum([len(link[-1]) for link in links])[:-1]
    return [np.split(np.where(patch == k, weight, 0.0), ends) for k in np.unique(patch)]


def _solved(matrix: FloatArray, right: FloatArray, joint: Joint, marks: Marks, mark_noise_mm: float) -> FloatArray:
    if marks:
        strength = joint.residual_mm / mark_noise_mm
        matrix, right = with_marks(matrix, right, marks, joint.poses, strength, joint.centre, joint.length)
    return best_motions(matrix, right, DAMPING)
