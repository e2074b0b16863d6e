"""From guesses for every pair to the poses of all sides that agree best with all that every side saw.

Every pair of sides gives some poses, the right one mostly among them, never surely first. A set of poses for all
sides is grown side by side, keeping the best few sets at each step (beam search over the graph of pair hypotheses);
each set is judged on every pair of sides, also on those that should not overlap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from pipeline.geometry.alignment.evidence import Evidence, Seen, evidence
from pipeline.geometry.alignment.field import Field
from pipeline.geometry.alignment.hypotheses import PairTable, hypotheses
from pipeline.geometry.alignment.icp import ROUGH_SAMPLES, ROUGH_VOXELS, settled
from pipeline.geometry.alignment.joint import refined
from pipeline.geometry.alignment.markers import MARK_REACH, matches, partners
from pipeline.geometry.alignment.quick import promising
from pipeline.geometry.alignment.rigid import differences, distinct, inverse, moved, rigid
from pipeline.part import FloatArray

MOST, FEWEST = 96, 36
"""Poses of a pair that are refined: the most where there is but one pair, the fewest where there are many."""
COARSE, KEPT = 4, 3
"""Times as many are settled before, and kept one in so many afterwards."""
MARKED = 4
"""Poses of a pair that markers give."""
HOPELESS = 0.25
"""A pose that so much speaks against at first sight is not looked at again."""
FIRM = 2e-4
"""Below this share of the largest eigenvalue a motion is not held."""
ROUGH_HEIGHT, ROUGH_COST = 0.6, 16.0
FINE_HEIGHT, FINE_COST = 0.35, 40.0
"""Heights that are support, in voxels, and how much a sample that speaks against a pose outweighs one for it."""
BEAM, FEWEST_BEAM, BEAM_MARKED = 32, 10, 5
BRANCHES, FEWEST_BRANCHES = 32, 16
"""Sets of poses that go on, and ways to go on that are tried: the most for two sides, the fewest for many."""
QUICK_ROUNDS = ((3.0, 5.0), (2.0, 4.0), (1.5, 4.0))


@dataclass(frozen=True, eq=False)
class Guess:
    """A pose of one side in another's frame, with what speaks for it, and whether markers gave it."""

    pose: FloatArray
    evidence: Evidence
    marked: bool = False


@dataclass(frozen=True, eq=False)
class Ready:
    """A side with all its tables."""

    seen: Seen
    field: Field
    table: PairTable
    markers: FloatArray


Guesses = dict[tuple[int, int], list[Guess]]
"""For each pair (i, j), i < j, poses of side i in the frame of side j."""


@dataclass(frozen=True, eq=False)
class Placed:
    """Poses for some or all sides; the first placed one is the frame. ``marked``: markers that lie on one another."""

    poses: dict[int, FloatArray]
    pairs: dict[tuple[int, int], Evidence]
    marked: int = 0

    @property
    def score(self) -> float:
        return sum(pair.score for pair in self.pairs.values())

    def array(self) -> FloatArray:
        """(n, 4, 4) in the frame of side 0."""
        first = inverse(self.poses[0])
        return np.array([first @ self.poses[k] for k in sorted(self.poses)])


def guesses(
    ready: Sequence[Ready], mark_noise_mm: float = 0.3, but: Guesses | None = None, anew: int | None = None
) -> Guesses:
    """Judged poses for every pair of sides; those of ``but`` are kept, except for the pairs of side ``anew``."""
    pairs = list(combinations(range(len(ready)), 2))
    tried = max(FEWEST, MOST // len(pairs))
    return {
        (i, j): but[i, j]
        if but is not None and anew not in (i, j)
        else pair_guesses(ready[i], ready[j], mark_noise_mm, tried)
        for i, j in pairs
    }


def pair_guesses(one: Ready, other: Ready, mark_noise_mm: float = 0.3, tried: int = FEWEST) -> list[Guess]:
    """Judged poses of one side in the other's frame: from the surfaces, and from the markers where both have some.

    Poses from markers are kept however the surface judges them: on a turning part the surface has no opinion.
    """
    moving = one.seen.side
    poses = hypotheses(moving, other.field, one.table, other.table, np.random.default_rng(0))
    if not len(poses):  # nothing on the two is alike; some pose is judged all the same, so that it can be said
        poses = rigid(np.eye(3), other.seen.side.centre - moving.centre)[None]
    poses = settled(moving, other.field, poses, ROUGH_SAMPLES, ROUGH_VOXELS)
    poses = poses[promising(one.field, other.field, poses, 200, ROUGH_HEIGHT, ROUGH_COST, COARSE * tried)]
    found = judged(one, other, settled(moving, other.field, poses), tried)
    for match in matches(one.markers, other.markers, mark_noise_mm, MARKED):
        found.append(
            Guess(match.pose, evidence(one.seen, other.seen, match.pose, within=0.35 * moving.cell), marked=True)
        )
    return found


def judged(one: Ready, other: Ready, poses: FloatArray, tried: int) -> list[Guess]:
    """The best distinct ones of settled poses, refined and judged by evidence, best first.

    Most are found out by a quick look; only those that are not are refined in full.
    """
    moving, trees = one.seen.side, [other.seen.tree, one.seen.tree]
    chosen = poses[promising(one.field, other.field, poses, 400, FINE_HEIGHT, FINE_COST, tried)]
    starts = [refined(trees, np.array([np.eye(4), p]), samples=350, rounds=QUICK_ROUNDS[:2]).poses for p in chosen]
    against = [evidence(one.seen, other.seen, start[1], samples=300).contradiction for start in starts]
    most = max(HOPELESS, min(against))  # of captures that do not belong together, the least bad pose
    found = []
    for start in (start for start, share in zip(starts, against, strict=True) if share <= most):
        pose = refined(trees, start, samples=700, rounds=QUICK_ROUNDS[1:]).poses[1]
        found.append(Guess(pose, evidence(one.seen, other.seen, pose)))
    found.sort(key=lambda guess: -guess.evidence.score)
    size = max(moving.size, other.seen.side.size)
    poses = np.array([guess.pose for guess in found]).reshape(-1, 4, 4)
    return [found[k] for k in distinct(poses, moving.centre, np.deg2rad(2), 0.01 * size, tried // KEPT)]


def grown(ready: Sequence[Ready], pairs: Guesses, mark_noise_mm: float = 0.3) -> list[Placed]:
    """Sets of poses for all sides, best first; those that lay markers on one another before the others."""
    count = len(ready)
    beam = [Placed({0: np.eye(4)}, {})]
    for _ in range(count - 1):
        wider: list[Placed] = []
        for placed in beam:
            wider += _branches(placed, ready, pairs, MARK_REACH * mark_noise_mm)
        wider.sort(key=lambda placed: -placed.score)
        marked = sorted((placed for placed in wider if placed.marked >= 3), key=lambda placed: -placed.marked)
        beam = _different([*marked[:BEAM_MARKED], *wider], ready, max(FEWEST_BEAM, BEAM // len(pairs)))
    return beam


def _branches(placed: Placed, ready: Sequence[Ready], pairs: Guesses, mark_reach_mm: float) -> list[Placed]:
    options: list[tuple[float, int, int, Guess, FloatArray]] = []
    for new in range(len(ready)):
        if new in placed.poses:
            continue
        for old in placed.poses:
            for guess in pairs[min(new, old), max(new, old)]:
                relative = guess.pose if new < old else inverse(guess.pose)  # old_from_new
                options.append((guess.evidence.score, new, old, guess, placed.poses[old] @ relative))
    options.sort(key=lambda option: -option[0])
    from_markers = [option for option in options if option[3].marked]
    out: list[Placed] = []
    for _, new, old, guess, pose in [*from_markers, *options[: max(FEWEST_BRANCHES, BRANCHES // len(pairs))]]:
        side = ready[new].seen.side
        if any(new in other.poses and _near(other.poses[new], pose, side.centre, side.size) for other in out):
            continue
        out.append(_with_side(placed, new, pose, {old: guess.evidence}, ready, mark_reach_mm))
    return out


def _with_side(
    placed: Placed,
    new: int,
    pose: FloatArray,
    known: dict[int, Evidence],
    ready: Sequence[Ready],
    mark_reach_mm: float,
) -> Placed:
    """One more side, judged against all that are placed; what is known of a pair is not asked again."""
    judged_pairs, marked = dict(placed.pairs), placed.marked
    for old, other in placed.poses.items():
        laid = moved(inverse(other) @ pose, ready[new].markers)
        marked += len(partners(laid, ready[old].markers, mark_reach_mm + 0.5 * ready[old].seen.side.cell))
        i, j = min(new, old), max(new, old)
        if old in known:
            judged_pairs[i, j] = known[old]
            continue
        of = {new: pose, old: other}
        # Poses from single pairs lie a little off one another: judge leniently, the joint refinement follows.
        within = 0.35 * ready[i].seen.side.cell
        judged_pairs[i, j] = evidence(ready[i].seen, ready[j].seen, inverse(of[j]) @ of[i], samples=400, within=within)
    return Placed({**placed.poses, new: pose}, judged_pairs, marked)


def _near(one: FloatArray, other: FloatArray, centre: FloatArray, size: float) -> bool:
    angle, way = differences(one[None], other, centre)
    return bool(angle[0] < np.deg2rad(2.5) and way[0] < 0.012 * size)


def same(one: FloatArray, other: FloatArray, ready: Sequence[Ready], angle_deg: float, share: float) -> bool:
    """Whether two sets of poses (n, 4, 4) are about the same for every pair of sides."""
    for i, j in combinations(range(len(one)), 2):
        side = ready[i].seen.side
        first, second = inverse(one[j]) @ one[i], inverse(other[j]) @ other[i]
        angle, way = differences(first[None], second, side.centre)
        if angle[0] > np.deg2rad(angle_deg) or way[0] > share * side.size:
            return False
    return True


def _different(sets: list[Placed], ready: Sequence[Ready], most: int) -> list[Placed]:
    kept: list[Placed] = []
    for placed in sets:
        repeated = any(
            other.poses.keys() == placed.poses.keys()
            and all(
                _near(other.poses[k], placed.poses[k], ready[k].seen.side.centre, ready[k].seen.side.size)
                for k in placed.poses
            )
            for other in kept
        )
        if not repeated:
            kept.append(placed)
        if len(kept) == most:
            break
    return kept
