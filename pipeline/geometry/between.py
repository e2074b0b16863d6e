"""What does not come again with the part: evidence between captures whose poses are known.

Paper, hands and risers stay behind when the part is turned over. So a place that one capture shows, that no other
capture shows again, and that another looked right through, is not the part. This says more than any look at one
capture can, and it takes nothing away from what only one side could see. And where one capture is so sparse that a
point beside its surface cannot be told from one on it, all of them together are dense enough.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.alignment.evidence import PATCH_CELLS, Seen, patches, relation, tolerance
from pipeline.geometry.alignment.joint import SixD
from pipeline.geometry.alignment.side import SAMPLES, Side, measured, sides
from pipeline.geometry.alignment.visibility import Pictures, pictures
from pipeline.geometry.cloud import unit
from pipeline.geometry.samples import samples_of
from pipeline.geometry.sampling import point_spacing
from pipeline.geometry.solitary import solitary
from pipeline.geometry.surroundings import in_surroundings, left_out
from pipeline.part import BoolArray, Capture, FloatArray, transformed

AGAIN_IN_CELLS = 2.0
"""A place comes again when another capture has surface so close, facing the same way."""
ALIKE = 0.5
FEWEST_VIEWS = 3
"""A place was looked through when so many directions see behind it, and more than see a surface there."""
WHOLE_SAMPLES = 60_000
"""On a whole capture: enough that its pictures tell what lies a few points' spacings apart."""
LOOKS = ((SAMPLES, False), (20_000, True), (SAMPLES, True))
"""How many samples of the largest capture are asked in turn, and whether closely: more of them lie closer to the part,
and fewer are told apart more surely."""
NEIGHBOURS = 9
"""A sample is judged with so many around it: what is foreign is a thing, not a speck."""


def foreign_between(captures: Sequence[Capture], seen: Sequence[Side] | None = None) -> list[BoolArray]:
    """Points of each capture that belong to something that did not come along with the part.

    Parameters
    ----------
    captures : cleaned, with their true ``part_from_capture``; two or more, else nothing is foreign. Their
        surroundings count as well: table and paper behind a place show that it was looked through
    seen : the captures as the alignment sampled them, where it did

    Returns
    -------
    One (n,) array of flags for each capture.
    """
    seen = seen or sides([measured(capture) for capture in captures])
    drawn = [_drawn(capture, side) for capture, side in zip(captures, seen, strict=True)]
    return [_foreign(number, captures, seen, drawn) for number in range(len(captures))]


def strays_between(captures: Sequence[Capture]) -> list[BoolArray]:
    """Points of each capture that lie off the surface which all captures together show.

    Parameters
    ----------
    captures : cleaned, with their true ``part_from_capture``

    Returns
    -------
    One (n,) array of flags for each capture.
    """
    samples = [samples_of(capture) for capture in captures]
    placed = [
        transformed(each.points, capture.part_from_capture) for capture, each in zip(captures, samples, strict=True)
    ]
    alone = np.split(solitary(np.concatenate(placed)), np.cumsum([len(points) for points in placed])[:-1])
    return [
        ~each.kept_points(~flags, len(capture.points))
        for capture, each, flags in zip(captures, samples, alone, strict=True)
    ]


def unconfirmed_between(captures: Sequence[Capture]) -> list[BoolArray]:
    """Doubtful points of each capture that no other capture shows again, or that another speaks against.

    What is doubtful of the others confirms as well, but no longer once it is known to be foreign. What hangs together
    with it goes too: paper that leans at the part reaches higher than it lies.

    Parameters
    ----------
    captures : two or more, with their true ``part_from_capture``, and what of them is ``doubtful``

    Returns
    -------
    One (n,) array of flags for each capture.
    """
    gone = [np.zeros(len(capture.points), np.bool_) for capture in captures]
    for samples, closely in LOOKS:
        left = [left_out(capture, flags) for capture, flags in zip(captures, gone, strict=True)]
        for flags, more in zip(gone, _unconfirmed(left, samples, closely), strict=True):
            flags[~flags] = more
    return gone


def doubtful_points(capture: Capture) -> BoolArray:
    """(n,) points that may belong to something that touches the part."""
    return np.zeros(len(capture.points), np.bool_) if capture.doubtful is None else capture.doubtful


def _unconfirmed(captures: Sequence[Capture], samples: int, closely: bool) -> list[BoolArray]:
    """One look at what is doubtful, with so many samples of the largest capture.

    Parameters
    ----------
    closely : whether what lies over or under another's surface, or was looked through as the poses are judged, counts
        as well, though it comes again in a third: of the others little foreign may be left then
    """
    seen = sides([measured(capture) for capture in captures], samples)
    drawn = [_drawn(capture, side) for capture, side in zip(captures, seen, strict=True)]
    size = max(side.size for side in seen)
    judges = [Seen(side, SixD(side, size), pictures(side)) for side in seen] if closely else []
    found = []
    for number, (side, capture) in enumerate(zip(seen, captures, strict=True)):
        nearest = cKDTree(capture.points).query(side.points)[1]
        again, crossed = _relation(number, captures, seen, drawn)
        strange = crossed | ~again
        for other, judge in enumerate(judges):
            if other != number:
                state = relation(side, judge, _between(captures, number, other), tolerance(side, judge.side))
                strange |= state.off | state.through
        gone = _hanging_together(side, _most_around(side, strange), doubtful_points(capture)[nearest])
        found.append(np.asarray(gone[side.tree.query(capture.points)[1]], np.bool_))
    return found


def _hanging_together(side: Side, strange: BoolArray, doubtful: BoolArray) -> BoolArray:
    """(k,) patches of strange samples that are doubtful for the most part; all else speaks against the poses."""
    gone = strange.copy()
    if strange.any():
        patch = patches(side.points[strange], PATCH_CELLS * side.cell)
        gone[strange] = (np.bincount(patch, weights=doubtful[strange]) > 0.5 * np.bincount(patch))[patch]
    return gone


def _drawn(capture: Capture, seen: Side) -> Pictures:
    """Pictures of a capture with what stood around the part."""
    if capture.surroundings is None:
        return pictures(seen)
    whole = in_surroundings(capture)
    if whole.normals is None:
        return pictures(sides([measured(whole)], WHOLE_SAMPLES)[0])
    # Points that are means over a cell need no more smoothing to be drawn.
    points, spacing = whole.points, point_spacing(whole.points)
    side = replace(seen, points=points, normals=unit(whole.normals), cell=spacing, close=points, closeness=spacing)
    return pictures(replace(side, around=None))


def _foreign(number: int, captures: Sequence[Capture], seen: Sequence[Side], drawn: Sequence[Pictures]) -> BoolArray:
    again, crossed = _relation(number, captures, seen, drawn)
    return _spread(seen[number], crossed & ~again, captures[number].points)


def _relation(
    number: int, captures: Sequence[Capture], seen: Sequence[Side], drawn: Sequence[Pictures]
) -> tuple[BoolArray, BoolArray]:
    """(k,) samples of a capture that another shows again, and those that another looked through."""
    side = seen[number]
    again, crossed = np.zeros((2, len(side)), bool)
    for other, theirs in enumerate(seen):
        if other == number:
            continue
        other_from_this = _between(captures, number, other)
        places, facing = transformed(side.points, other_from_this), side.normals @ other_from_this[:3, :3].T
        away, at = theirs.tree.query(places)
        alike = (theirs.normals[at] * facing).sum(axis=1) > ALIKE
        again |= (np.asarray(away) < AGAIN_IN_CELLS * max(side.cell, theirs.cell)) & alike
        through, here, _ = drawn[other].asked(places, side.cell)
        behind = (through >= FEWEST_VIEWS) & (through > here)
        if captures[other].surroundings is None:
            behind &= ~theirs.rim[at]  # what was cut out of a capture was not looked through, past its open ends
        crossed |= behind
    return again, crossed


def _between(captures: Sequence[Capture], number: int, other: int) -> FloatArray:
    """(4, 4) the motion from one capture's frame into another's."""
    return np.linalg.inv(captures[other].part_from_capture) @ captures[number].part_from_capture


def _spread(side: Side, foreign: BoolArray, points: FloatArray) -> BoolArray:
    """(n,) what most of the samples around each point are."""
    settled = _most_around(side, foreign)
    if not settled.any():  # as on most parts: nothing to spread
        return np.zeros(len(points), np.bool_)
    return np.asarray(settled[side.tree.query(points)[1]], np.bool_)


def _most_around(side: Side, flags: BoolArray) -> BoolArray:
    """(k,) what most of the samples around each are."""
    around = np.asarray(side.tree.query(side.points, k=min(NEIGHBOURS, len(side)))[1]).reshape(len(side), -1)
    return np.asarray(flags[around].mean(axis=1) > 0.5, np.bool_)
