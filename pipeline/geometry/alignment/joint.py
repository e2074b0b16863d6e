"""All sides refined together: one system of normal equations for all poses.

Correspondences are nearest neighbours in six dimensions, place and weighted normal (as in Feldmar and Ayache, "Rigid,
affine and locally affine registration of free-form surfaces", 1996), so that the far face of a thin wall is never
taken for the near one. The residual is the symmetric point-to-plane distance (Rusinkiewicz, "A symmetric objective
function for ICP", 2019), weighted by Tukey's biweight whose reach shrinks to a few times the spread of the residuals.
All pairs of sides that overlap enter one block system (Pulli, "Multiview registration for large data sets", 1999,
and the simultaneous form of Krishnan et al. 2005), so that errors do not pile up around a ring of sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.alignment.rigid import moved, nearest_rigid, twisted_about
from pipeline.geometry.alignment.side import Side
from pipeline.geometry.cloud import unit
from pipeline.geometry.vectors import cross, inner
from pipeline.geometry.weights import tukey
from pipeline.part import FloatArray, LongArray

NORMAL_SIZE = 0.04
"""Weight of a normal in the six dimensions, as a share of the part's size."""
ROUNDS = ((5.0, 6.0), (3.0, 5.0), (2.0, 4.5), (1.5, 4.0), (1.5, 4.0), (1.5, 4.0))
"""In turn: how far correspondents may be (cells), and the reach of the weight (spreads of the residuals)."""
SAMPLES = 2_500
FEWEST = 30
FREE = 0.001
"""Below this share of the largest eigenvalue a motion is held by the markers, if by anything: the normals' own noise
makes thousands of samples of a turned part resist its turn a little, and more than a few markers can pull."""
WORTH_THREADS = 4_000
"""Queries for fewer places are done before threads have started."""


@dataclass(frozen=True, eq=False)
class Joint:
    """Sides in one frame.

    Attributes
    ----------
    poses : (n, 4, 4) ``part_from_capture``
    matrix : (6n, 6n) weighted normal matrix at the end, turns (divided by ``length``) before slides for each side
    residual_mm : spread of the residuals over all correspondences (1.4826 median absolute deviation)
    length : unit of the turns, millimetres
    centre : (3,) where turns are taken about
    """

    poses: FloatArray
    matrix: FloatArray
    residual_mm: float
    length: float
    centre: FloatArray

    @property
    def firmness(self) -> float:
        """Least eigenvalue of the normal matrix, the first side held, over its largest."""
        return _least_over_largest(self.matrix[6:, 6:])

    def firmness_between(self, i: int, j: int) -> float:
        """The same of what two sides alone have in common; 0 where that is nothing."""
        both = -self.matrix[6 * i : 6 * i + 6, 6 * j : 6 * j + 6]
        return _least_over_largest((both + both.T) / 2)


def _least_over_largest(matrix: FloatArray) -> float:
    values = np.linalg.eigvalsh(matrix)
    return float(max(values[0], 0.0) / max(values[-1], np.finfo(float).tiny))


class SixD:
    """Nearest neighbours of one side by place and normal."""

    def __init__(self, side: Side, size: float) -> None:
        self.side, self.weight = side, NORMAL_SIZE * size
        places = np.hstack([side.points, self.weight * side.normals])
        self.tree = cKDTree(places, balanced_tree=False)  # asked millions of times: its boxes are drawn tight

    def nearest(self, points: FloatArray, normals: FloatArray, reach: float) -> LongArray:
        """(n,) indices of the nearest samples within ``reach`` (6-D); the number of samples where there is none."""
        places = np.hstack([points, self.weight * normals])
        workers = -1 if len(points) > WORTH_THREADS else 1
        return np.asarray(self.tree.query(places, distance_upper_bound=reach, workers=workers)[1])


def refined(
    trees: Sequence[SixD],
    poses: FloatArray,
    *,
    samples: int = SAMPLES,
    rounds: Sequence[tuple[float, float]] = ROUNDS,
    marks: Marks = (),
    mark_noise_mm: float = 0.3,
    moving: bool = True,
) -> Joint:
    """Poses refined from (n, 4, 4) good starts; the first side stays where it is.

    Parameters
    ----------
    samples : of each side that look for a correspondent on each other side
    marks : markers that hold the sides together as well, good to ``mark_noise_mm``
    moving : False to leave the poses and only write down the equations
    """
    sides = [tree.side for tree in trees]
    poses = poses.copy()
    every = np.concatenate([moved(pose, side.points[::20]) for pose, side in zip(poses, sides, strict=True)])
    centre = every.mean(axis=0)
    length = float(np.linalg.norm(every - centre, axis=1).mean())
    floor = 0.3 * max(side.noise for side in sides) + 1e-3 * min(side.cell for side in sides)
    spread = 0.0
    matrix = np.zeros((6 * len(sides), 6 * len(sides)))
    for reach, width in rounds:
        links = links_between(trees, poses, reach, samples)
        heights = np.concatenate([height for *_, height in links] or [np.zeros(0)])
        if len(heights) < FEWEST:
            break
        spread = max(1.4826 * float(np.median(np.abs(heights))), floor)
        weights = [tukey(link[-1], width * spread) for link in links]
        matrix, right = equations(links, weights, len(sides), centre, length)
        if marks:
            matrix, right = with_marks(matrix, right, marks, poses, spread / mark_noise_mm, centre, length)
        if not moving:
            continue
        twists = best_motions(matrix, right, 1e-6)
        twists[:, :3] /= length
        for k, twist in enumerate(twists, start=1):
            poses[k] = nearest_rigid(twisted_about(twist, centre) @ poses[k])
    return Joint(poses, matrix, spread, length, centre)


Link = tuple[int, int, FloatArray, FloatArray, FloatArray, FloatArray]
"""From which side to which, places on the one and on the other, common normals, heights."""
Marks = Sequence[tuple[int, int, FloatArray, FloatArray]]
"""Markers two sides have in common: the sides, (k, 3) places in the one's frame and in the other's."""


def links_between(trees: Sequence[SixD], poses: FloatArray, reach: float, samples: int) -> list[Link]:
    """Correspondents within ``reach`` cells on every two sides that have enough of them, both ways."""
    found: list[Link] = []
    for i, one in enumerate(trees):
        plain = np.flatnonzero(one.side.plain)[:: max(1, len(one.side) // samples)]
        points, normals = one.side.points[plain], one.side.normals[plain]
        for j, other in enumerate(trees):
            if i == j:
                continue
            pose = np.linalg.inv(poses[j]) @ poses[i]
            at, facing = moved(pose, points), normals @ pose[:3, :3].T
            bound = reach * other.side.cell
            index = other.nearest(at, facing, float(np.hypot(bound, 0.6 * other.weight)))
            has = np.flatnonzero(index < len(other.side))
            has = has[np.take(other.side.plain, index[has])]
            at, facing, index = np.take(at, has, axis=0), np.take(facing, has, axis=0), index[has]
            target, outward = np.take(other.side.points, index, axis=0), np.take(other.side.normals, index, axis=0)
            offset = at - target
            near = np.flatnonzero((inner(offset, offset) < bound**2) & (inner(facing, outward) > 0.8))
            if len(near) < FEWEST:
                continue
            p, q = moved(poses[j], np.take(at, near, axis=0)), moved(poses[j], np.take(target, near, axis=0))
            normal = unit(np.take(facing + outward, near, axis=0)) @ poses[j][:3, :3].T
            found.append((i, j, p, q, normal, inner(p - q, normal)))
    return found


def equations(
    links: Sequence[Link], weights: Sequence[FloatArray], count: int, centre: FloatArray, length: float
) -> tuple[FloatArray, FloatArray]:
    """(6n, 6n) normal matrix and (6n,) right side of the links between ``count`` sides."""
    matrix, right = np.zeros((6 * count, 6 * count)), np.zeros(6 * count)
    for link, weight in zip(links, weights, strict=True):
        _add(link, weight, matrix, right, centre, length)
    return matrix, right


def best_motions(matrix: FloatArray, right: FloatArray, damping: float) -> FloatArray:
    """(n - 1, 6) motion of every side but the first that solves the equations; free motions stay near zero."""
    little = np.eye(len(matrix) - 6) * (damping * np.trace(matrix) / len(matrix) + 1e-12)
    return -np.linalg.solve(matrix[6:, 6:] + little, right[6:]).reshape(-1, 6)


def with_marks(
    matrix: FloatArray,
    right: FloatArray,
    marks: Marks,
    poses: FloatArray,
    strength: float,
    centre: FloatArray,
    length: float,
) -> tuple[FloatArray, FloatArray]:
    """The equations of surfaces and markers, which alone hold what the surfaces leave free.

    ``strength`` is the spread of the surfaces' residuals over the markers' noise.
    """
    matrix, right = matrix.copy(), right.copy()
    _without_free(matrix, right)
    for link in _marked(marks, poses):
        _add(link, np.full(len(link[-1]), strength**2), matrix, right, centre, length)
    return matrix, right


def _without_free(matrix: FloatArray, right: FloatArray) -> None:
    """Take the surfaces' say in the motions that they leave free out of their normal equations."""
    values, vectors = np.linalg.eigh(matrix[6:, 6:])
    firm = vectors[:, values >= FREE * values[-1]]
    onto = firm @ firm.T
    matrix[6:, 6:] = onto @ matrix[6:, 6:] @ onto
    right[6:] = onto @ right[6:]


def _marked(marks: Marks, poses: FloatArray) -> list[Link]:
    """Each marker three times, once along each axis: it holds every way, a surface only along its normal."""
    found: list[Link] = []
    for i, j, one, other in marks:
        p, q = moved(poses[i], one), moved(poses[j], other)
        found += [(i, j, p, q, np.tile(axis, (len(p), 1)), (p - q) @ axis) for axis in np.eye(3)]
    return found


def _add(
    link: Link, weight: FloatArray, matrix: FloatArray, right: FloatArray, centre: FloatArray, length: float
) -> None:
    """Add a link to the normal equations."""
    i, j, p, q, normal, height = link
    middle = ((p + q) / 2 - centre) / length
    rows = np.hstack([cross(middle, normal), normal])
    block = (rows * weight[:, None]).T @ rows
    towards = rows.T @ (weight * height)
    a, b = slice(6 * i, 6 * i + 6), slice(6 * j, 6 * j + 6)
    matrix[a, a] += block
    matrix[b, b] += block
    matrix[a, b] -= block
    matrix[b, a] -= block
    right[a] += towards
    right[b] -= towards
