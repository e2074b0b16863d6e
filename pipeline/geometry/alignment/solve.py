"""From captures to poses, with all that is needed to say whether they are sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry.alignment.evidence import Seen
from pipeline.geometry.alignment.field import field
from pipeline.geometry.alignment.graph import Guesses, Placed, Ready, grown, guesses, same
from pipeline.geometry.alignment.hypotheses import pair_table
from pipeline.geometry.alignment.joint import ROUNDS, Joint, SixD, refined
from pipeline.geometry.alignment.rigid import displacement, inverse
from pipeline.geometry.alignment.side import Side, measured, sides
from pipeline.geometry.alignment.twins import DISTINCT_DEG, DISTINCT_SIZE, LEVEL, SETTLED, turned_poses
from pipeline.geometry.alignment.verdict import (
    CONTRADICTED,
    LESS,
    SOILED,
    SPOTLESS,
    Solution,
    contradicted,
    deviations_mm,
    held_by_marks,
    judged,
    linked_overlap,
    polished,
    rivals,
    slides,
    solved,
    thoroughly,
)
from pipeline.geometry.alignment.visibility import pictures
from pipeline.geometry.constraint import Motion
from pipeline.geometry.normals import SURE
from pipeline.part import Capture, FloatArray

FEWEST_POINTS = 300
FINALISTS, FEWEST_FINALISTS = 30, 10
"""Sets of poses that are refined jointly: the most for two sides, the fewest for many."""
MOST_UNSURE = 3
HOPEFUL = 0.05
"""Sets of poses with less than this share of the best score cannot be rivals and are not refined."""
TWINS = 3
"""Twins of each side that are looked at: a box has three half turns."""
AGREED = 0.3
"""From this score on the sides have much in common."""
WORSE = 0.01
"""Given poses are kept where refining them loses so much of the score."""
MUCH_CLEANER = 0.25
"""Where several sets explain the sides alike, one is believed that has at most this share of the contradiction."""
LEAST_SHARE, FIRM = 0.25, 0.01
"""Least support over the best one's, and least firmness, with which a set that nothing speaks against is believed."""


@dataclass(frozen=True, eq=False)
class Found:
    """The best set of poses and what puts it in doubt.

    Attributes
    ----------
    best : the solution; its poses are in the frame of the first side
    rivals : other solutions that explain everything about as well
    slides : sides with a motion that nothing resists: side, the motion in words, share of a push that stayed
    overlap : least overlap needed to hang all sides together, 0 to 1, and the pair it belongs to
    deviation_mm : (n,) predicted standard deviation of each side's pose, as motion of its points
    guesses : what every pair offered
    ready : the sides, turned inside out where that was needed
    """

    best: Solution
    rivals: list[Solution]
    slides: list[tuple[int, Motion | None, float]]
    overlap: tuple[float, tuple[int, int]]
    deviation_mm: FloatArray
    guesses: Guesses
    ready: Sequence[Ready]

    @property
    def searched(self) -> bool:
        """Whether the poses were searched for, not given."""
        return bool(self.guesses)

    @property
    def runner_up(self) -> float:
        """Score of the best rival over that of the best; 0 when there is none."""
        return max((max(other.score, 0.0) / max(self.best.score, 1e-9) for other in self.rivals), default=0.0)

    @property
    def names(self) -> list[str]:
        """Of the sides' captures."""
        return [one.seen.side.name for one in self.ready]

    @property
    def noise_mm(self) -> float:
        """Of the noisiest side."""
        return max(one.seen.side.noise for one in self.ready)

    def closure_mm(self) -> float:
        """How far the whole moved pairs from where they lie when aligned alone, at most, millimetres."""
        worst = 0.0
        for (i, j), offered in self.guesses.items():
            if self.best.pairs[i, j].overlap < 0.15:
                continue
            points = self.ready[i].seen.side.points[::50]
            here = inverse(self.best.poses[j]) @ self.best.poses[i]
            apart = [displacement(guess.pose, here, points) for guess in offered]
            near = [distance for distance in apart if distance < 0.02 * self.ready[i].seen.side.size]
            worst = max(worst, min(near, default=0.0))
        return worst


def prepared(captures: Sequence[Capture]) -> list[Ready]:
    """Everything that is needed of each capture, sampled alike."""
    found = sides([measured(capture) for capture in captures])
    return [made_ready(one, found, capture.markers) for one, capture in zip(found, captures, strict=True)]


def made_ready(one: Side, every: Sequence[Side], markers: FloatArray) -> Ready:
    """One side with its trees, pictures and tables; sizes are common to all sides."""
    size = max(side.size for side in every)
    drawn = pictures(one)
    return Ready(Seen(one, SixD(one, size), drawn), field(one, drawn), pair_table(one, size), np.array(markers))


def aligned(ready: Sequence[Ready], mark_noise_mm: float = 0.3) -> Found:
    """The best poses for all sides, from nothing.

    A cloud without normals does not always tell its outside from its inside; such sides are tried both ways.
    """
    pairs = guesses(ready, mark_noise_mm)
    sets = grown(ready, pairs, mark_noise_mm)
    for k in _unsure(ready)[:MOST_UNSURE]:
        if _agrees(sets[0]):
            break
        turned = _inside_out(ready, k)
        other_pairs = guesses(turned, mark_noise_mm, but=pairs, anew=k)
        other_sets = grown(turned, other_pairs, mark_noise_mm)
        if other_sets[0].score > sets[0].score:
            ready, pairs, sets = turned, other_pairs, other_sets
    most = max(FEWEST_FINALISTS, FINALISTS // len(pairs))
    top = max(placed.score for placed in sets)
    hopeful = [placed for placed in sets[:most] if placed.score > HOPEFUL * top or placed.marked >= 3]
    finalists = [solved(ready, placed.array(), mark_noise_mm) for placed in hopeful or sets[:1]]
    return concluded(ready, finalists, pairs, mark_noise_mm)


def _inside_out(ready: Sequence[Ready], k: int) -> list[Ready]:
    """The sides with one of them turned inside out."""
    return with_side(ready, k, ready[k].seen.side.turned_inside_out(), ready[k].markers)


def with_side(ready: Sequence[Ready], k: int, side: Side, markers: FloatArray) -> list[Ready]:
    """The sides with another in the place of one of them."""
    other = list(ready)
    other[k] = made_ready(side, [one.seen.side for one in ready], markers)
    return other


def _agrees(placed: Placed | Solution) -> bool:
    """Whether a set of poses is so free of contradiction that no side can be inside out."""
    return all(pair.contradiction < 0.01 for pair in placed.pairs.values()) and placed.score > AGREED


def _unsure(ready: Sequence[Ready]) -> list[int]:
    """Sides whose outside is not sure, least sure first; the surest of all is believed."""
    sure = [one.seen.side.outside_sure for one in ready]
    order = np.argsort(sure, kind="stable")
    return [int(k) for k in order[:-1] if sure[k] < SURE]


def concluded(ready: Sequence[Ready], finalists: list[Solution], pairs: Guesses, mark_noise_mm: float) -> Found:
    """Choose among finalists, look for twins of the best, push it, and put all in one record."""
    finalists = sorted(finalists, key=_rank)
    best = finalists[0]
    for _ in range(2):
        finalists = sorted([*finalists, *_twins(ready, best, mark_noise_mm)], key=_rank)
        if finalists[0] is best:
            break
        best = finalists[0]
    finalists = sorted([*finalists, *_cleaner(ready, best, mark_noise_mm)], key=_rank)
    best, rival = _least_contradicted(finalists, ready, mark_noise_mm)
    best = polished(ready, best, mark_noise_mm)
    return Found(
        best,
        rival,
        [] if held_by_marks(best, len(ready)) else slides(best, ready, mark_noise_mm),
        linked_overlap(best, len(ready)),
        deviations_mm(best, ready, mark_noise_mm),
        pairs,
        ready,
    )


def _cleaner(ready: Sequence[Ready], best: Solution, mark_noise_mm: float) -> list[Solution]:
    """Sets of poses on the way from one that a patch speaks against to one that less speaks against, twin by twin.

    Where half a turn leaves a part nearly as it is, every one of many sides may lie either way, and the set with the
    most support need not be the right one.
    """
    found: list[Solution] = []
    for _ in ready:
        if not contradicted(thoroughly(ready, best)):
            break
        twins = _twins(ready, best, mark_noise_mm, SETTLED)  # of a wheel's twelve teeth and a key eleven are as wrong
        twins = [one for one in twins if one.support > LESS * best.support and one.against < best.against]
        if not twins:
            break
        best = min(twins, key=lambda one: one.against)
        found.append(best)
    return found


def _least_contradicted(
    finalists: Sequence[Solution], ready: Sequence[Ready], mark_noise_mm: float
) -> tuple[Solution, list[Solution]]:
    """The best finalist and its rivals; where more speaks against it than against a right one, the best clean one."""
    best, rival = _with_rivals(finalists[0], finalists, ready)
    if contradicted(best) or best.contradiction > SOILED:
        for other in finalists[1:]:
            if not _as_much_explained(other, finalists[0]):
                continue
            other = thoroughly(ready, other)
            # Where several sets explain the sides alike, dirt on one more than on another does not decide.
            if rival and other.contradiction > MUCH_CLEANER * best.contradiction:
                continue
            if _cleaner_story(other, finalists[0]):
                twins = _twins(ready, other, mark_noise_mm)  # only those of the best were looked for until now
                return _with_rivals(other, [*finalists, *twins], ready)
    return best, rival


def _as_much_explained(other: Solution, best: Solution) -> bool:
    """Whether another set of poses explains enough, and shows no more against it, to be looked at thoroughly."""
    return other.marked >= best.marked and other.support >= LEAST_SHARE * best.support and other.contradiction <= SOILED


def _cleaner_story(other: Solution, best: Solution) -> bool:
    """Whether nothing much speaks against another set of poses, and it explains about as much, or is firm by itself."""
    if contradicted(other):
        return False
    spotless = other.contradiction <= SPOTLESS and other.joint.firmness >= FIRM
    return other.support > LESS * best.support or spotless


def _with_rivals(
    best: Solution, finalists: Sequence[Solution], ready: Sequence[Ready]
) -> tuple[Solution, list[Solution]]:
    others = [one for one in finalists if not same(one.poses, best.poses, ready, DISTINCT_DEG, DISTINCT_SIZE)]
    best = thoroughly(ready, best)
    return best, rivals(best, others, ready)


def _rank(solution: Solution) -> tuple[bool, float, float]:
    """Best first: markers that fall together count before the surface, which may have no opinion, or a veto."""
    return (solution.contradiction > CONTRADICTED, -(solution.marked if solution.marked >= 3 else 0), -solution.score)


def _twins(ready: Sequence[Ready], best: Solution, mark_noise_mm: float, most: int = TWINS) -> list[Solution]:
    """The same set with one side turned to its twin, for every side, refined.

    Of each side the ``most`` likeliest; and more, if they look as good, while none has turned out to be.
    """
    found = []
    for k in range(len(ready)):
        as_good = False
        for rank, pose in enumerate(turned_poses(ready, best.poses, k, most)):
            if rank >= most and as_good:
                break
            poses = best.poses.copy()
            poses[k] = pose
            poses = inverse(poses[0]) @ poses
            if not same(poses, best.poses, ready, DISTINCT_DEG, DISTINCT_SIZE):
                twin = solved(ready, poses, mark_noise_mm)
                as_good |= twin.score >= LEVEL * best.score and twin.against <= best.against
                found.append(twin)
    return found


def verified(ready: Sequence[Ready], poses: FloatArray, mark_noise_mm: float = 0.3) -> Found:
    """Poses (n, 4, 4) that somebody gave, refined where the surfaces hold them, and judged; no search for others."""
    ready = _turned_to_agree(ready, poses)
    given = _unmoved(ready, poses)
    better = polished(ready, solved(ready, poses, mark_noise_mm), mark_noise_mm)
    sliding = slides(better, ready, mark_noise_mm)
    # Rough poses allow for larger heights; which are better is asked with what the better ones allow.
    as_strict = judged(ready, replace(given, residual_mm=better.joint.residual_mm), samples=None)
    worse = better.score < as_strict.score - WORSE
    best = judged(ready, given, samples=None) if sliding or worse else better
    return Found(
        best, [], sliding, linked_overlap(best, len(ready)), deviations_mm(best, ready, mark_noise_mm), {}, ready
    )


def _turned_to_agree(ready: Sequence[Ready], poses: FloatArray) -> Sequence[Ready]:
    """The sides, those turned inside out that have more in common so under poses that somebody gave.

    Where they do not agree, each side whose outside nobody told is asked both ways, however sure of it it seems: with
    the poses known that costs no search. It is turned only where the sides then have much in common: what is turned
    inside out has little to contradict.
    """
    guessed = [k for k, one in enumerate(ready) if not one.seen.side.facing_given]
    if not guessed:
        return ready
    best = judged(ready, _unmoved(ready, poses))
    for k in guessed:
        if _agrees(best):
            break
        turned = _inside_out(ready, k)
        other = judged(turned, _unmoved(turned, poses))
        if other.score > max(best.score, AGREED):
            ready, best = turned, other
    return ready


def _unmoved(ready: Sequence[Ready], poses: FloatArray) -> Joint:
    """Poses as they are, with the equations of what lies together under them."""
    return refined([one.seen.tree for one in ready], poses, rounds=ROUNDS[-1:], moving=False)
