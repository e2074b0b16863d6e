"""What speaks for a pose of two sides, and what against it, both ways.

For: samples that lie on the other side's surface and face the same way. Against: samples that lie over or under the
other side's surface, farther off than the noise explains, and samples where the other side looked through. A wrong
pose can always find support, on flat and round faces most of all; it hardly ever does so without contradiction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.alignment.joint import SixD
from pipeline.geometry.alignment.rigid import inverse, moved
from pipeline.geometry.alignment.side import Side
from pipeline.geometry.alignment.visibility import Pictures, seen_through
from pipeline.geometry.cloud import unit
from pipeline.geometry.edges import connected
from pipeline.geometry.vectors import inner
from pipeline.part import BoolArray, FloatArray, IndexArray

AGAINST_COST = 60.0
"""A sample that speaks against a pose outweighs this many for it: the right pose has hardly any."""
CHANCE = 0.005
"""Share of what two sides have in common that may speak against the right pose by chance, along edges."""
NEAR_CELLS = 1.5
"""Samples this close and facing about the same way show the same place: what is overlap, on edges too."""
BESIDE_CELLS = 1.3
"""A sample has a counterpart when the nearest sample is at most this far along the surface."""
OFF_AGREE = 0.85
"""Cosine of the normals from which two layers are compared: a small lump faces many ways."""
PATCH_CELLS = 2.0
"""Samples that speak against a pose belong to one patch when they lie within this of one another."""
BEHIND = 0.5
"""A place is behind a surface when the way there from its nearest sample runs this much against its normal."""
OFF_CELLS = 4.0
"""Layers farther apart than this are two surfaces, not one badly laid on itself."""


@dataclass(frozen=True, eq=False)
class Seen:
    """All that is needed of one side to judge it against others."""

    side: Side
    tree: SixD
    pictures: Pictures


@dataclass(frozen=True, slots=True)
class Evidence:
    """Counts over the samples looked at, of both sides together, and shares of each side.

    Attributes
    ----------
    samples : how many were looked at
    support, off, through, bare : how many are explained, lie off a surface, were seen through, should have been seen
    overlap : share of the smaller side that has a counterpart on the other
    squares : sum of squared heights over the supported samples, mm2
    patch : samples in the largest connected patch that speaks against the pose; 0 where not all samples were looked at
    """

    samples: int = 0
    support: int = 0
    off: int = 0
    through: int = 0
    bare: int = 0
    overlap: float = 0.0
    squares: float = 0.0
    patch: int = 0

    @property
    def against(self) -> int:
        return self.off + self.through

    @property
    def contradiction(self) -> float:
        """Share of what the two sides have in common that speaks against the pose."""
        return self.against / max(self.support + self.against, 1)

    @property
    def score(self) -> float:
        """Supported share of the samples, less what speaks against the pose beyond chance."""
        beyond = max(0.0, self.against - CHANCE * (self.support + self.against))
        return (self.support - AGAINST_COST * beyond) / max(self.samples, 1)

    def __add__(self, other: Evidence) -> Evidence:
        return Evidence(
            self.samples + other.samples,
            self.support + other.support,
            self.off + other.off,
            self.through + other.through,
            self.bare + other.bare,
            max(self.overlap, other.overlap),
            self.squares + other.squares,
            max(self.patch, other.patch),
        )


def tolerance(one: Side, other: Side) -> float:
    """Largest height above a surface that noise explains, millimetres."""
    return 2.5 * max(one.noise, other.noise) + 0.05 * max(one.cell, other.cell)


def evidence(
    one: Seen, other: Seen, other_from_one: FloatArray, *, samples: int | None = 1_200, within: float | None = None
) -> Evidence:
    """Judge a pose both ways.

    Parameters
    ----------
    samples : of each side to look at; None for all of them, and for patches
    within : largest height that still is support, millimetres; from the noise when not given
    """
    within = tolerance(one.side, other.side) if within is None else within
    return _judged(one, other, other_from_one, samples, within) + _judged(
        other, one, inverse(other_from_one), samples, within
    )


def _judged(one: Seen, other: Seen, pose: FloatArray, samples: int | None, within: float) -> Evidence:
    step = 1 if samples is None else max(1, len(one.side) // samples)
    state = relation(one.side, other, pose, within, step)
    count, against = len(state.at), state.at[state.off | state.through]
    return Evidence(
        samples=count,
        support=int(state.support.sum()),
        off=int(state.off.sum()),
        through=int(state.through.sum()),
        bare=int(state.bare.sum()),
        overlap=float(min(1.0, state.near.mean() * max(1.0, len(one.side) / len(other.side)))),
        squares=float((state.height[state.support] ** 2).sum()),
        patch=_largest_patch(against, PATCH_CELLS * one.side.cell) if samples is None else 0,
    )


def patches(points: FloatArray, reach: float) -> IndexArray:
    """(n,) number of the patch that each point belongs to; those of a patch lie within ``reach`` of one another."""
    pairs = cKDTree(points).query_pairs(reach, output_type="ndarray")
    return connected(len(points), pairs[:, 0], pairs[:, 1])


def _largest_patch(points: FloatArray, reach: float) -> int:
    """How many points hang together: what contradicts by chance lies scattered, another surface lies in one piece."""
    if len(points) < 2:
        return len(points)
    return int(np.bincount(patches(points, reach)).max())


def _beyond(at: FloatArray, side: Side) -> BoolArray:
    """(n,) places past an open end of a side, or behind its surface, within what it shows as solid.

    Past an open end the surface may go on, and behind it a look that came in there: such looks prove nothing.
    """
    nearest = side.tree.query(at)[1]
    way = unit(at - side.points[nearest])
    behind = inner(way, side.normals[nearest]) < -BEHIND
    return np.asarray(side.rim[nearest] | behind, np.bool_)


def _turned(at: FloatArray, facing: FloatArray, other: Seen, within: float) -> BoolArray:
    """(n,) places where the other side has this very surface, only facing the other way.

    Which way a small face faces is sometimes found wrongly where the capture does not say: then the other face of a
    rib is taken for its counterpart, a rib's thickness off.
    """
    cell = other.side.cell
    index = other.tree.nearest(at, -facing, float(np.hypot(BESIDE_CELLS * cell, 0.5 * other.tree.weight)))
    has = index < len(other.side)
    index = np.where(has, index, 0)
    height = inner(at - other.side.points[index], other.side.normals[index])
    agree = -inner(facing, other.side.normals[index])
    return np.asarray(has & (agree > 0.95) & (np.abs(height) < within), np.bool_)


@dataclass(frozen=True, eq=False)
class Relation:
    """How samples lie to another side; all (n,), but for their places in its frame, (n, 3)."""

    at: FloatArray
    nearest: IndexArray
    height: FloatArray
    near: BoolArray
    support: BoolArray
    off: BoolArray
    through: BoolArray
    bare: BoolArray


def relation(one: Side, other: Seen, pose: FloatArray, within: float, step: int = 1) -> Relation:
    """Compare samples of one side, every ``step``-th, with another side; ``pose`` is ``other_from_one``.

    A narrow groove is often seen in shreds, all of them near open ends: what lies over or under a surface need not be
    whole itself, so long as the surface is.
    """
    every = slice(None, None, step)
    at, facing = moved(pose, one.points[every]), one.normals[every] @ pose[:3, :3].T
    cell, sure, placed = other.side.cell, one.sure[every], one.placed[every]
    reach = OFF_CELLS * cell
    index = other.tree.nearest(at, facing, float(np.hypot(reach, 0.5 * other.tree.weight)))
    has = index < len(other.side)
    index = np.where(has, index, 0)
    offset, outward = at - np.take(other.side.points, index, axis=0), np.take(other.side.normals, index, axis=0)
    agree, apart = inner(facing, outward), inner(offset, offset)
    height = inner(offset, unit(facing + outward))
    near = has & (apart < (NEAR_CELLS * cell) ** 2) & (agree > 0.3)
    beside = np.sqrt(np.maximum(apart - height**2, 0.0))
    has &= (beside < BESIDE_CELLS * cell) & (agree > 0.8)
    support = has & (np.abs(height) < within)
    # Near its own open end a sample may be a little off; a surface a whole cell away it is not.
    clear = np.abs(height) > np.maximum(1.5 * within, np.where(sure, 0.0, cell))
    off = has & ~support & placed & other.side.sure[index] & (agree > OFF_AGREE) & clear & (np.abs(height) < reach)
    if off.any() and not (one.facing_given and other.side.facing_given):
        off[off] = ~_turned(at[off], facing[off], other, within)
    through, bare = np.zeros((2, len(at)), bool)
    rest = np.flatnonzero(~support & ~off)
    judged = other.pictures.judge(at[rest], facing[rest])
    through[rest], bare[rest] = seen_through(judged), judged[1] > 0.6
    through[through] = ~_beyond(at[through], other.side)
    return Relation(at, np.asarray(index, np.int32), height, near, support, off, through, bare)
