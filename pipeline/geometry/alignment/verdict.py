"""Is it sure? What the best set of poses must show before it is called good.

Three ways to be wrong are asked about, each with its own test: too little in common or too much against it
(evidence); a motion that the common surface leaves free (the joint normal matrix says where to push, and a push that
does not come back proves it); another set of poses that explains everything as well (a twin, as every symmetric part
has).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from pipeline.geometry.alignment.evidence import CHANCE, NEAR_CELLS, Evidence, evidence, relation, tolerance
from pipeline.geometry.alignment.graph import Ready
from pipeline.geometry.alignment.joint import FREE, ROUNDS, Joint, Marks, refined
from pipeline.geometry.alignment.leverage import pose_shifts
from pipeline.geometry.alignment.markers import MARK_REACH, partners
from pipeline.geometry.alignment.rigid import differences, displacement, inverse, moved, rigid, screw, twisted
from pipeline.geometry.constraint import Constraint, Motion, constraint
from pipeline.part import FloatArray

SAMPLES, ALL = 1_000, 6_000
FINAL_SAMPLES = 1_500
PUSH = 6.0
"""How far sides are pushed along their weakest motions to see whether they come back, in spreads of the residuals:
farther, and the few places that hold a part would be taken for strays."""
BACK_ROUNDS = ((2.0, 9.0), (2.0, 8.0), (1.5, 7.0), (1.5, 6.0), (1.5, 5.0))
STAYED = 0.25
"""A push of which more than this share stays was not resisted."""
NOTHING = 0.0003
"""A motion held by less than this, over what is held best, is held by noise alone, and may come back by chance."""
ROUGHER = 1.12
"""A set of poses whose mean squared height is this much larger than the best one's is a worse one."""
LITTLE, CONTRADICTED = 0.07, 0.03
"""A rival must be supported by this share of what the best is, and be contradicted in no more than this share of what a
pair has in common."""
LEAST_OVERLAP, LEAST_WHERE_OPEN, OPEN = 0.12, 0.05, 0.5
"""A rival must hang together by this overlap; by less where the best leaves more than this share of the open ends
open: then the sides may have been laid on one another that belong beside one another."""
LESS = 0.6
"""A rival with less than this share of the support is another story of the sides, and must be as clean as a right pose
is. It must also be held on its own, for any two sides touch somewhere, sliding; or else, where the best leaves the ends
open, be spotless and as smooth: halves of a plain shank slide along one another where they belong. Heights of surfaces
that only cross are spread evenly over what is support, and about twice as rough as noise."""
SPOTLESS, TOUCH, SMOOTH, CROSSING = 0.0005, 0.07, 1.5, 4.0
"""Largest share against, least overlap, and mean squared height over the best one's, of a rival that can slide; the
last, of one that is held."""
SOILED = 0.003
"""Share of what a pair has in common beyond which what speaks against it is no chance: right poses had a quarter of a
percent at most, wrong ones that passed all else 0.43 and more, over some 900 simulated jobs."""
ALIKE = 0.9
"""From this share of the support on two sets of poses lay the same places on one another, and may be compared in how
smoothly they do: what is seen at a slant is rougher."""
LOCKED = 0.1
"""A way that is resisted less than this, over the firmness of where it leads, is a slide that locks there."""
MOST_RIVALS = 3
PATCH = 10
"""So many samples in one place that speak against a pose are no chance: the right pose has a few."""
CORRELATED = 2.0
"""Errors of neighbouring samples are not independent: predicted deviations are this much larger."""


@dataclass(frozen=True, eq=False)
class Solution:
    """All sides in one frame, refined and judged.

    Attributes
    ----------
    joint : poses and their normal equations
    pairs : evidence for every pair (i, j), i < j
    marks : markers that sides have in common
    """

    joint: Joint
    pairs: dict[tuple[int, int], Evidence]
    marks: Marks = ()

    @property
    def marked(self) -> int:
        """How many markers lie on one another, over all pairs."""
        return sum(len(one) for _, _, one, _ in self.marks)

    @property
    def poses(self) -> FloatArray:
        return self.joint.poses

    @property
    def support(self) -> int:
        return sum(pair.support for pair in self.pairs.values())

    @property
    def against(self) -> int:
        return sum(pair.against for pair in self.pairs.values())

    @property
    def squares(self) -> float:
        """Mean squared height over the supported samples, mm2."""
        return sum(pair.squares for pair in self.pairs.values()) / max(self.support, 1)

    @property
    def score(self) -> float:
        return sum(pair.score for pair in self.pairs.values())

    @property
    def contradiction(self) -> float:
        """Largest share against, over the pairs that have enough in common to tell."""
        return max((pair.contradiction for pair in self.telling.values()), default=0.0)

    @property
    def telling(self) -> dict[tuple[int, int], Evidence]:
        """Pairs that have enough in common to tell: of a single sample one that speaks against is all."""
        return {key: pair for key, pair in self.pairs.items() if pair.support + pair.against >= PATCH}

    @property
    def side_contradiction(self) -> float:
        """Largest share against of one side with all the others together: two that share little say little."""
        sides = {k for pair in self.pairs for k in pair}
        of = [sum((pair for key, pair in self.pairs.items() if k in key), Evidence()) for k in sides]
        return max(one.contradiction for one in of)

    @property
    def patch(self) -> int:
        """Samples in the largest patch that speaks against the poses, where that was asked."""
        return max(pair.patch for pair in self.pairs.values())


def solved(
    ready: Sequence[Ready], poses: FloatArray, mark_noise_mm: float = 0.3, *, samples: int = SAMPLES
) -> Solution:
    """Refine a set of poses (n, 4, 4) jointly, with the markers that come to lie together, and judge every pair."""
    trees = [one.seen.tree for one in ready]
    marks = common_marks(ready, poses, MARK_REACH * mark_noise_mm + 0.5 * ready[0].seen.side.cell)
    joint = refined(trees, poses, samples=samples, marks=marks, mark_noise_mm=mark_noise_mm)
    if marks:
        marks = common_marks(ready, joint.poses, MARK_REACH * mark_noise_mm)
        joint = refined(
            trees, joint.poses, samples=samples, rounds=ROUNDS[-3:], marks=marks, mark_noise_mm=mark_noise_mm
        )
    return judged(ready, joint, marks)


def polished(ready: Sequence[Ready], solution: Solution, mark_noise_mm: float) -> Solution:
    """The same solution refined once more with all samples."""
    trees, marks = [one.seen.tree for one in ready], solution.marks
    joint = refined(trees, solution.poses, samples=ALL, rounds=ROUNDS[-2:], marks=marks, mark_noise_mm=mark_noise_mm)
    return judged(ready, joint, marks, samples=None)


def thoroughly(ready: Sequence[Ready], solution: Solution) -> Solution:
    """The same poses judged by all samples, and by how what speaks against them hangs together."""
    return judged(ready, solution.joint, solution.marks, samples=None)


def common_marks(ready: Sequence[Ready], poses: FloatArray, reach_mm: float) -> Marks:
    """Markers of every pair of sides that lie within ``reach_mm`` of each other."""
    found = []
    for i, j in combinations(range(len(ready)), 2):
        one, other = ready[i].markers, ready[j].markers
        pairs = partners(moved(inverse(poses[j]) @ poses[i], one), other, reach_mm)
        if len(pairs):
            found.append((i, j, one[pairs[:, 0]], other[pairs[:, 1]]))
    return found


def judged(ready: Sequence[Ready], joint: Joint, marks: Marks = (), *, samples: int | None = FINAL_SAMPLES) -> Solution:
    """The evidence for refined poses, every pair both ways."""
    pairs = {}
    for i, j in combinations(range(len(ready)), 2):
        one, other = ready[i].seen, ready[j].seen
        pose = inverse(joint.poses[j]) @ joint.poses[i]
        pairs[i, j] = evidence(one, other, pose, samples=samples, within=_within(ready, joint, i, j))
    return Solution(joint, pairs, marks)


def _within(ready: Sequence[Ready], joint: Joint, i: int, j: int) -> float:
    """Largest height that is support: from the noise, or from what real scanners' systematic errors make of it."""
    one, other = ready[i].seen.side, ready[j].seen.side
    return max(tolerance(one, other), min(3.5 * joint.residual_mm, 0.4 * max(one.cell, other.cell)))


def linked_overlap(solution: Solution, count: int) -> tuple[float, tuple[int, int]]:
    """The least overlap that is needed to hang all sides together, and the pair it belongs to.

    The smallest link of the maximum spanning tree over the pairs' overlaps.
    """
    group = list(range(count))
    least, where = 1.0, (0, min(1, count - 1))
    for pair in sorted(solution.pairs, key=lambda pair: -solution.pairs[pair].overlap):
        i, j = (group[k] for k in pair)
        if i == j:
            continue
        group = [i if g == j else g for g in group]
        least, where = solution.pairs[pair].overlap, pair
    return min(least, 1.0), where


def held_by_marks(solution: Solution, count: int, enough: int = 3) -> bool:
    """Whether markers alone hang all sides together; three that coincide leave no motion open."""
    group = list(range(count))
    for i, j, one, _ in solution.marks:
        if len(one) >= enough:
            group = [group[i] if k == group[j] else k for k in group]
    return len(set(group)) == 1


def deviations_mm(solution: Solution, ready: Sequence[Ready], mark_noise_mm: float) -> FloatArray:
    """(n,) predicted standard deviation of each side's pose against the first, as motion of its points, mm.

    The larger of what the covariance of the normal equations says and what leaving out one patch after the other does.
    """
    joint, count = solution.joint, len(ready)
    free = joint.matrix[6:, 6:]
    values, vectors = np.linalg.eigh(free)
    floor = 1e-12 * max(float(values[-1]), 1e-6)  # sides that share nothing are held by nothing
    covariance = (vectors / np.maximum(values, floor)) @ vectors.T * joint.residual_mm**2
    shifts = pose_shifts([one.seen.tree for one in ready], joint, solution.marks, mark_noise_mm)
    out = np.zeros(count)
    for k in range(1, count):
        block = covariance[6 * k - 6 : 6 * k, 6 * k - 6 : 6 * k]
        rows = _motion_rows(moved(joint.poses[k], ready[k].seen.side.points[::25]), joint)
        even = CORRELATED * np.sqrt(np.einsum("nij,jk,nik->n", rows, block, rows).mean())
        moves = np.einsum("nij,pj->pni", rows, shifts[:, k - 1])
        out[k] = max(even, np.sqrt(np.square(moves).sum(axis=2).mean(axis=1).sum()))
    return out


def _motion_rows(points: FloatArray, joint: Joint) -> FloatArray:
    """(n, 3, 6) motion of points under a small turn and slide in the joint's units."""
    local = (points - joint.centre) / joint.length
    rows = np.zeros((len(points), 3, 6))
    x, y, z = local.T
    rows[:, 0, 1], rows[:, 0, 2] = z, -y
    rows[:, 1, 0], rows[:, 1, 2] = -z, x
    rows[:, 2, 0], rows[:, 2, 1] = y, -x
    rows[:, :, 3:] = np.eye(3)
    return rows


def slides(
    solution: Solution, ready: Sequence[Ready], mark_noise_mm: float = 0.3, most: int = 3
) -> list[tuple[int, Motion | None, float]]:
    """Sides that stay where they are pushed, along the weakest motions of the whole, or that nothing but noise holds.

    Returns
    -------
    For each motion that is not resisted: the side that moves most, the motion in words, the share that stayed.
    """
    joint, count = solution.joint, len(ready)
    trees, some = [one.seen.tree for one in ready], [one.seen.side.points[::50] for one in ready]
    values, vectors = np.linalg.eigh(joint.matrix[6:, 6:])
    found = []
    for k in range(min(most, vectors.shape[1])):
        direction = np.concatenate([np.zeros(6), vectors[:, k]]).reshape(count, 6)
        stays, mover = [], 0
        for sign in (1.0, -1.0):
            pushed = _pushed(joint, direction * sign, ready, PUSH * joint.residual_mm)
            back = refined(
                trees, pushed, samples=1_000, rounds=BACK_ROUNDS, marks=solution.marks, mark_noise_mm=mark_noise_mm
            )
            gone = np.array([displacement(pushed[i], joint.poses[i], some[i]) for i in range(count)])
            left = np.array([displacement(back.poses[i], joint.poses[i], some[i]) for i in range(count)])
            mover = int(np.argmax(gone))
            stays.append(left[mover] / max(gone[mover], 1e-12))
        if min(stays) > STAYED or values[k] < NOTHING * values[-1]:
            found.append((mover, _motion_of(solution, ready, mover), float(min(stays))))
    return found


def _pushed(joint: Joint, direction: FloatArray, ready: Sequence[Ready], far: float) -> FloatArray:
    """Poses moved along a direction (n, 6) until the side that moves most has moved by ``far`` on average."""
    reach = max(
        float(
            np.linalg.norm(
                _motion_rows(moved(joint.poses[k], one.seen.side.points[::50]), joint) @ direction[k], axis=1
            ).mean()
        )
        for k, one in enumerate(ready)
    )
    about, back = rigid(np.eye(3), joint.centre), rigid(np.eye(3), -joint.centre)
    twists = direction * far / max(reach, 1e-12)
    twists[:, :3] /= joint.length
    return np.array([about @ twisted(twist) @ back @ pose for twist, pose in zip(twists, joint.poses, strict=True)])


def held(solution: Solution, ready: Sequence[Ready], k: int) -> Constraint | None:
    """What the surface that side ``k`` has in common with the others holds; None when there is too little."""
    side, points, normals = ready[k].seen.side, [], []
    for j, other in enumerate(ready):
        if j == k:
            continue
        pose = inverse(solution.poses[j]) @ solution.poses[k]
        state = relation(side, other.seen, pose, _within(ready, solution.joint, k, j))
        points.append(side.points[state.support])
        normals.append(side.normals[state.support])
    common = np.concatenate(points)
    return constraint(common, np.concatenate(normals)) if len(common) > 50 else None


def _motion_of(solution: Solution, ready: Sequence[Ready], k: int) -> Motion | None:
    common = held(solution, ready, k)
    if common is None:
        return None
    motions = common.motions(below=0.05)
    return motions[0] if motions else None


def rivals(best: Solution, others: Sequence[Solution], ready: Sequence[Ready]) -> list[Solution]:
    """The others that explain the sides as well: no more against them, no rougher fit; less support is no flaw."""
    found: list[Solution] = []
    for other in sorted(others, key=lambda other: -other.score):
        if _worse(best, other, ready):
            continue
        other = thoroughly(ready, other)
        if not _worse(best, other, ready):
            found.append(other)
        if len(found) == MOST_RIVALS:
            break
    return found


def open_share(solution: Solution, ready: Sequence[Ready]) -> float:
    """Share of the sides' open ends beyond which no other side goes on."""
    left, total = 0, 0
    for k, one in enumerate(ready):
        side = one.seen.side
        ends = np.flatnonzero(side.rim)
        still = np.ones(len(ends), np.bool_)
        for j, other in enumerate(ready):
            if j != k:
                pose = inverse(solution.poses[j]) @ solution.poses[k]
                distance, nearest = other.seen.side.tree.query(moved(pose, side.points[ends]))
                still &= (distance > NEAR_CELLS * other.seen.side.cell) | other.seen.side.rim[nearest]
        left, total = left + int(still.sum()), total + len(ends)
    return left / max(total, 1)


def contradicted(solution: Solution) -> bool:
    """Whether a whole patch of one side lies where another side shows something else."""
    return solution.patch >= PATCH


def _worse(best: Solution, other: Solution, ready: Sequence[Ready]) -> bool:
    """Whether another set of poses is clearly worse, judged on the pairs in which it differs."""
    changed = [pair for pair in best.pairs if _moved(best.poses, other.poses, pair, ready)]
    if not changed:
        return False
    now, then = (sum((each.pairs[pair] for pair in changed), Evidence()) for each in (best, other))
    ends_open = open_share(best, ready) > OPEN
    overlap = linked_overlap(other, len(ready))[0]
    if overlap < (LEAST_WHERE_OPEN if ends_open else LEAST_OVERLAP) or other.contradiction > CONTRADICTED:
        return True
    # Much less support does not make it wrong: half a part may lie on its other half better than beside it.
    share = (then.support / then.samples) / max(now.support / now.samples, 1e-12)
    rough = (then.squares / max(then.support, 1)) / max(now.squares / max(now.support, 1), np.finfo(float).tiny)
    if share < LESS:
        held = other.joint.firmness >= FREE and then.contradiction <= CHANCE and rough < CROSSING
        spotless = overlap >= TOUCH and _clean(then) and rough < SMOOTH
        if share < LITTLE or not (held or (ends_open and spotless)):
            return True
    elif share < 1.0 and slides_into(other.joint, best.joint):
        return True
    if then.patch >= max(PATCH, 2 * now.patch) and share < 1 / LESS:
        return True
    if _clean(now) and then.contradiction > SOILED and then.against >= PATCH:
        return True
    # Four standard deviations of the difference of two counts, and never on a handful of samples.
    more = then.against / then.samples - now.against / now.samples
    if more > max(12.0, 4.0 * np.sqrt(now.against + then.against + 1.0)) / min(now.samples, then.samples):
        return True
    if share > ALIKE and then.support > 500 and rough > ROUGHER:
        return True
    return best.marked >= 2 and best.marked - other.marked >= 2 and other.marked < 0.67 * best.marked


def _clean(pairs: Evidence) -> bool:
    """Whether nothing speaks against some pairs of sides; a single sample may always be chance."""
    return pairs.contradiction <= SPOTLESS or pairs.against <= 1


def slides_into(joint: Joint, other: Joint) -> bool:
    """Whether nothing that the sides have in common resists the way from one set of poses to another.

    Then these are no two answers: the one can slide, and the other is where the slide locks: a stop holds much firmer
    than what the sliding faces catch on.
    """
    about, back = rigid(np.eye(3), joint.centre), rigid(np.eye(3), -joint.centre)
    way = np.array(
        [screw(back @ to @ inverse(at) @ about) for at, to in zip(joint.poses[1:], other.poses[1:], strict=True)]
    )
    way[:, 3:] /= joint.length
    way = way.ravel()
    matrix = joint.matrix[6:, 6:]
    resisted = float(way @ matrix @ way) / max(float(way @ way), np.finfo(float).tiny)
    return resisted < max(FREE, LOCKED * other.firmness) * float(np.linalg.eigvalsh(matrix)[-1])


def _moved(one: FloatArray, other: FloatArray, pair: tuple[int, int], ready: Sequence[Ready]) -> bool:
    i, j = pair
    side = ready[i].seen.side
    first, second = inverse(one[j]) @ one[i], inverse(other[j]) @ other[i]
    angle, way = differences(first[None], second, side.centre)
    return bool(angle[0] > np.deg2rad(2.0) or way[0] > 0.01 * side.size)
