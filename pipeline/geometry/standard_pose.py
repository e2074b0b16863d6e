"""A part in the pose in which everybody would put it, found from its shape alone.

Primary: the plane it stands on, or its principal axes. Secondary: the direction of its upright flat faces, or the long
axis of its volume, or, of a part that repeats itself about its axis, one of its repeats. What turns are left over are
told apart by the third moment of the volume, which changes its sign with them; where that says nothing the part repeats
itself, and the pose says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np

from pipeline.geometry.measure import area
from pipeline.geometry.moments import Moments, moments_of
from pipeline.geometry.resting import HARDLY, Base, bases
from pipeline.geometry.upright import middle_between, upright_turn
from pipeline.part import FloatArray, Mesh

LEAST_BASE = 0.02
"""A base has at least this share of the whole area."""
NEARLY = 0.85
"""Bases with at least this share of the largest one's area are candidates like it."""
BELOW = 0.5
"""Cosine to straight down from which a face of the only capture may be a base."""
LOWEST = 0.999
"""Share of the vertices above the plane on which a part stands that lay on an unmeasured face."""
ROUND = 1.05
"""Second moments closer than this make no long axis."""
MOST_FOLDS = 16
LEAST_FOLD = 0.002
"""A part repeats itself in a turn when its moment says so by this much; of turned parts it is below 0.0001."""
UNDERTONE = 0.5
"""Of all such numbers the smallest counts whose moment has this share of the largest: the others are multiples."""
LEAN_TOWARDS = np.array([0.80, 0.50, 0.33]) / np.linalg.norm([0.80, 0.50, 0.33])
"""The third moment along this direction is made as large as the choice allows; no symmetry of a part lies along it."""
DISTINCT = 0.0006
"""Leans closer than this do not tell two poses apart: what two scans of one whole part differ by."""
GUESSED = 0.2
"""What that grows by with the share of the surface that is a guess."""


@dataclass(frozen=True, eq=False, slots=True)
class StandardPose:
    """Where a part goes, and how sure that is.

    Attributes
    ----------
    datum_from_part : (4, 4) rigid motion, millimetres
    base : the face it stands on, or None
    distinct : difference of lean between the chosen pose and the next best; 0 for a part that repeats itself
    doubts : what another scan of the same part might decide otherwise, in words
    """

    datum_from_part: FloatArray
    base: Base | None
    distinct: float
    doubts: tuple[str, ...]


def on_base(mesh: Mesh, noise_mm: float, up: FloatArray | None = None) -> StandardPose | None:
    """The part standing on its largest flat base: z = 0 there, z up.

    The origin lies below the middle between the ends across x and y, flat or round, or below the centroid where there
    are none.
    x runs along the upright flat faces where there are such, else along the long axis of the volume; of the two
    directions of upright faces along that in which the volume spreads further. Where the volume spreads alike all
    round but repeats itself, x runs through one of its repeats. A part without a base is put along its axes, see
    `on_axes`.

    Parameters
    ----------
    noise_mm : standard deviation of the measured points
    up : (3,) where up was in the only capture there is: what it shows from above is no base. Where it shows none, the
        part stands as it lay.

    Returns
    -------
    None when the surface encloses nothing.
    """
    moments = moments_of(mesh)
    if moments is None:
        return None
    least = LEAST_BASE * area(mesh.vertices, mesh.faces)
    every = [base for base in bases(mesh, moments.centre, noise_mm) if base.area_mm2 >= least]
    if up is not None:
        every = [base for base in every if base.normal @ up < -BELOW]
    found = [base for base in every if base.flat()]
    doubts: list[str] = []
    if up is not None and not found:
        every = found = [Base(-up, float(np.quantile(mesh.vertices @ -up, LOWEST)), 0.0, 0.0)]
        doubts.append("its underside was not measured, and it stands as it lay")
    turns = cache(lambda base: _turns_about(mesh, moments, -base.normal, noise_mm))
    chosen = _standing(moments, turns, found)
    others = [_standing(moments, turns, [base for base in every if base.flat(by)]) for by in (1 / HARDLY, HARDLY)]
    if any((other and other.base) is not (chosen and chosen.base) for other in others):
        doubts.append("a face that it could stand on is hardly flat")
    if chosen is None:
        along = on_axes(mesh)
        return along and replace(along, doubts=(*doubts, *along.doubts))
    base = chosen.base
    doubts += [chosen.doubt] if chosen.doubt else []
    doubts += _alike(moments, chosen.distinct)
    origin = _middle(mesh, chosen.turn, moments, noise_mm)
    origin = origin + (base.height - origin @ base.normal) * base.normal
    return StandardPose(_motion(chosen.turn, origin), base, chosen.distinct, tuple(doubts))


def on_axes(mesh: Mesh) -> StandardPose | None:
    """The part along its principal axes: longest x, shortest z, the origin in the centroid; None without a volume."""
    moments = moments_of(mesh)
    if moments is None:
        return None
    spread, vectors = np.linalg.eigh(moments.second)
    x, y, z = vectors[:, ::-1].T
    doubts: list[str] = []
    if spread[2] < ROUND * spread[1] or spread[1] < ROUND * spread[0]:
        doubts.append("two of the part's principal axes are nearly alike, so its turn between them is arbitrary")
    z = np.cross(x, y)
    turns = [np.stack([a * x, b * y, a * b * z]) for a in (1, -1) for b in (1, -1)]
    best, distinct = _leaning(moments, turns)
    doubts += _alike(moments, distinct)
    return StandardPose(_motion(turns[best], moments.centre), None, distinct, tuple(doubts))


class _Standing(NamedTuple):
    base: Base
    turn: FloatArray
    distinct: float
    doubt: str


def _standing(
    moments: Moments, turns: Callable[[Base], tuple[list[FloatArray], str]], found: Sequence[Base]
) -> _Standing | None:
    """On which of some bases, largest first, and in which of the turns about each the part stands; None without any."""
    if not found:
        return None
    like = [base for base in found if base.area_mm2 >= NEARLY * found[0].area_mm2]
    candidates = [(base, turn) for base in like for turn in turns(base)[0]]
    best, distinct = _leaning(moments, [turn for _, turn in candidates])
    return _Standing(*candidates[best], distinct, turns(found[0])[1])


def _turns_about(mesh: Mesh, moments: Moments, up: FloatArray, noise_mm: float) -> tuple[list[FloatArray], str]:
    """Rotations (3, 3) that put ``up`` upwards, and what is doubtful about the turn they leave."""
    across = np.linalg.svd(up[None])[2][1:]
    across[1] = np.cross(up, across[0])
    spread = across @ moments.second @ across.T
    values, vectors = np.linalg.eigh(spread)
    long_axis = float(np.arctan2(vectors[1, 1], vectors[0, 1]))
    flat = upright_turn(mesh, up, across, noise_mm)
    is_round = bool(values[1] < ROUND * values[0])
    folds, phase = _folds(moments, across) if is_round else (0, 0.0)
    quarter, doubt = np.pi / 2, ""
    if folds and (flat is None or folds % 4):
        angles = [phase + 2 * np.pi * k / folds for k in range(folds)]
    elif flat is None:
        angles = [long_axis, long_axis + np.pi]
        if is_round:
            doubt = "the part is nearly round about its upright axis, so its turn about it is arbitrary"
    else:
        along = [float(_direction(a) @ spread @ _direction(a)) for a in (flat, flat + quarter)]
        if _spread_alike(along):
            angles = [flat + k * quarter for k in range(4)]
        else:
            longer = flat + quarter * int(np.argmax(along))
            angles = [longer, longer + np.pi]
    rows = [_direction(a) @ across for a in angles]
    return [np.stack([x, np.cross(up, x), up]) for x in rows], doubt


def _folds(moments: Moments, across: FloatArray) -> tuple[int, float]:
    """How often the part repeats itself in a turn, 0 where it does not, and the direction of one of its repeats."""
    found = moments.folds(across, MOST_FOLDS)
    found[:2] = 0.0
    strength = np.abs(found)
    if strength.max() < LEAST_FOLD:
        return 0, 0.0
    folds = int(np.flatnonzero(strength >= UNDERTONE * strength.max())[0])
    return folds, float(np.angle(found[folds])) / folds


def _leaning(moments: Moments, turns: Sequence[FloatArray]) -> tuple[int, float]:
    """The turn under which the part leans most towards ``LEAN_TOWARDS``, and by how much more than under the next."""
    leans = np.array([moments.lean(LEAN_TOWARDS @ turn) for turn in turns])
    order = np.argsort(-leans, kind="stable")
    return int(order[0]), float(leans[order[0]] - leans[order[1]]) if len(order) > 1 else 1.0


def _alike(moments: Moments, distinct: float) -> list[str]:
    if distinct >= DISTINCT + GUESSED * moments.guessed:
        return []
    return ["the part looks nearly the same in more than one of its poses"]


def _middle(mesh: Mesh, turn: FloatArray, moments: Moments, noise_mm: float) -> FloatArray:
    """The middle between the part's end faces across x and across y; the centroid's place where it has none.

    A guess within the part, as in a bore, moves the centroid and leaves the ends where they are, so round ends count
    as well; but of a part that is round about its upright axis nothing tells the axis as well as the centroid.
    """
    along = [float(axis @ moments.second @ axis) for axis in turn[:2]]
    ends = [middle_between(mesh, axis, noise_mm, round_ends=not _spread_alike(along)) for axis in turn[:2]]
    centre = moments.centre
    return np.asarray(
        centre + sum((end - centre @ axis) * axis for end, axis in zip(ends, turn[:2], strict=True) if end is not None)
    )


def _spread_alike(along: Sequence[float]) -> bool:
    """Whether second moments along two directions make neither the long one."""
    return max(along) < ROUND * min(along)


def _direction(angle: float) -> FloatArray:
    return np.array([np.cos(angle), np.sin(angle)])


def _motion(turn: FloatArray, origin: FloatArray) -> FloatArray:
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = turn, -turn @ origin
    return motion
