"""Vertices of a rough mesh put where the points say: onto smooth faces, and into sharp edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.denoise import SPREAD, near_weights, projected
from pipeline.geometry.measure import face_vectors
from pipeline.geometry.neighbours import Columns, dot, gathered, normalised, offsets, pieces, weighted_sum
from pipeline.geometry.overshoot import drawn_back
from pipeline.geometry.vectors import inner, length
from pipeline.part import BoolArray, FloatArray, IndexArray

Reals = NDArray[np.floating[Any]]

BENT = 0.98
"""Only where the mean of the neighbours' normals is shorter than this may an edge be near."""
SHARP = 0.1
"""A vertex lies on an edge when the second direction of the normals around it carries this much of the first."""
BEYOND = 0.45
TURNED = 0.3
"""A triangle that faces the surface by less than this cosine is better split the other way."""
OFF_PLANE, JUDGES = 0.1, 4
"""So close, in cells and on average, the planes of so many nearest points pass by an edge. Where the part is rounded
they lie below the place in which the planes farther off meet: that place is in the air."""
DETERMINED = 0.05
"""A direction that carries less than this of the strongest does not fix the vertex."""


@dataclass(frozen=True, eq=False, slots=True)
class Evidence:
    """The denoised points a surface is put onto.

    Attributes
    ----------
    points, normals : (3, m) float32, millimetres about some origin
    weight : (m,) measurements each one stands for
    neighbours : (m, k) indices, nearest first, its own first
    gap : (m,) distance between points about each one, millimetres
    """

    points: Columns
    normals: Columns
    weight: NDArray[np.float32]
    neighbours: IndexArray
    gap: NDArray[np.float32]


@dataclass(frozen=True, eq=False, slots=True)
class Refined:
    """Vertices on the measured surface.

    Attributes
    ----------
    vertices, normals : (3, n)
    sharp : (n,) whether the vertex was put into an edge or corner
    """

    vertices: Columns
    normals: Columns
    sharp: BoolArray


def refined(
    vertices: Columns, facing: Columns, middles: Columns, cell: float, data: Evidence, around: IndexArray, reach: float
) -> Refined:
    """Move each vertex onto the local fit of the points around it.

    Parameters
    ----------
    vertices, facing : (3, n) rough places, and normals outwards
    middles : (3, n) middle of the grid cell of each vertex
    cell : edge length of the grid, millimetres
    around : (n,) the point nearest to each vertex
    reach : millimetres; standard deviation of the weight by distance
    """
    fit = (data.points, data.normals, data.weight, data.neighbours, reach)
    moved, normals = projected(vertices, facing, *fit, around=around, spread=0.6)
    moved, normals = projected(moved, normals, *fit, around=around)
    sharp = np.zeros(len(around), bool)
    bent = np.flatnonzero(_bent(data, facing, around)).astype(np.int32)
    _into_edges(bent, moved, sharp, facing, middles, cell, data, around, 0.75 * cell)
    round_about = np.flatnonzero(~sharp).astype(np.int32)
    beyond = round_about[
        _beyond_border(moved[:, round_about], normals[:, round_about], data, around[round_about], reach)
    ]
    _into_edges(np.intersect1d(beyond, bent), moved, sharp, facing, moved.copy(), cell, data, around, 1.5 * cell)
    beyond = beyond[~sharp[beyond]]
    index = data.neighbours[_nearest(moved[:, beyond], data, around[beyond])]
    moved[:, beyond] = drawn_back(moved[:, beyond], normals[:, beyond], data.points, data.normals, index, cell)
    return Refined(moved, normals, sharp)


def _into_edges(
    chosen: IndexArray,
    moved: Columns,
    sharp: BoolArray,
    facing: Columns,
    middles: Columns,
    cell: float,
    data: Evidence,
    around: IndexArray,
    window: float,
) -> None:
    for piece in pieces(len(chosen)):
        which = chosen[piece]
        place, on_edge = _edge_points(
            facing[:, which], middles[:, which], cell, data, data.neighbours[around[which]], window
        )
        moved[:, which[on_edge]] = place[:, on_edge]
        sharp[which[on_edge]] = True


def _nearest(moved: Columns, data: Evidence, around: IndexArray) -> IndexArray:
    """(n,) the point nearest to each vertex now that it was moved, among those about it."""
    out = np.empty_like(around)
    for here in pieces(len(around)):
        index = data.neighbours[around[here]]
        square = sum(component**2 for component in offsets(data.points, index, moved[:, here]))
        out[here] = np.take_along_axis(index, np.argmin(square, axis=1)[:, None], axis=1)[:, 0]
    return out


def _beyond_border(moved: Columns, normals: Columns, data: Evidence, around: IndexArray, reach: float) -> BoolArray:
    """(n,) where all points of a vertex's own face lie to one side of it."""
    out = np.zeros(len(around), bool)
    for here in pieces(len(around)):
        index = data.neighbours[around[here]]
        share, offset = near_weights(data.points, data.weight, index, moved[:, here], reach)
        share *= np.exp((dot(gathered(data.normals, index), normals[:, here]) - 1) / np.float32(SPREAD**2))
        centre = weighted_sum(share, offset) / np.maximum(share.sum(axis=1), 1e-9)
        out[here] = (centre**2).sum(axis=0) > (BEYOND * reach) ** 2
    return out


def facing_of(vertices: FloatArray, quads: IndexArray) -> Columns:
    """(3, n) mean normal of the quadrilaterals at each vertex, by area."""
    one, other = vertices[quads[:, 2]] - vertices[quads[:, 0]], vertices[quads[:, 3]] - vertices[quads[:, 1]]
    sums = np.zeros((3, len(vertices)))
    for axis in range(3):
        j, k = (axis + 1) % 3, (axis + 2) % 3
        area = np.repeat(one[:, j] * other[:, k] - one[:, k] * other[:, j], 4)
        sums[axis] = np.bincount(quads.ravel(), weights=area, minlength=len(vertices))
    return normalised(sums.astype(np.float32))


def split_quads(vertices: FloatArray, quads: IndexArray, sharp: BoolArray, facing: Columns) -> IndexArray:
    """Two triangles of each quadrilateral: along an edge of the part where there is one, else the shorter way.

    Where one of them would turn away from the surface (``facing``), the other way is taken if it is better.
    """
    first = ((vertices[quads[:, 0]] - vertices[quads[:, 2]]) ** 2).sum(axis=1)
    second = ((vertices[quads[:, 1]] - vertices[quads[:, 3]]) ** 2).sum(axis=1)
    along_first = sharp[quads[:, 0]] & sharp[quads[:, 2]]
    along_second = sharp[quads[:, 1]] & sharp[quads[:, 3]]
    straight = np.where(along_first == along_second, first <= second, along_first)
    one = quads[:, (0, 1, 2)], quads[:, (0, 2, 3)]
    other = quads[:, (0, 1, 3)], quads[:, (1, 2, 3)]
    turned = [np.minimum(*(_turn(vertices, half, facing) for half in halves)) for halves in (one, other)]
    chosen, left = np.where(straight, turned[0], turned[1]), np.where(straight, turned[1], turned[0])
    straight = (straight ^ ((chosen < TURNED) & (left > chosen)))[:, None]
    return np.concatenate([np.where(straight, a, b) for a, b in zip(one, other, strict=True)]).astype(np.int32)


def _turn(vertices: FloatArray, faces: IndexArray, facing: Columns) -> FloatArray:
    """(m,) cosine between each face and the surface it stands for."""
    across = face_vectors(vertices, faces)
    a, b, c = (np.take(facing, faces[:, corner], axis=1) for corner in range(3))  # numpy is slow along an axis of three
    wanted = (a + b + c).T
    size = length(across) * length(wanted)
    turn: FloatArray = inner(across, wanted) / np.maximum(size, np.finfo(float).tiny)
    return turn


def _bent(data: Evidence, facing: Columns, around: IndexArray) -> BoolArray:
    """(n,) where the nearest points' normals differ enough for an edge."""
    out = np.zeros(len(around), bool)
    for here in pieces(len(around)):
        normal = gathered(data.normals, data.neighbours[around[here]][:, :9])
        share = (dot(normal, facing[:, here]) > 0).astype(np.float32)
        mean = weighted_sum(share, normal)
        out[here] = (mean**2).sum(axis=0) < (BENT * share.sum(axis=1)) ** 2
    return out


def _edge_points(
    facing: Columns, middles: Columns, cell: float, data: Evidence, index: IndexArray, window: float
) -> tuple[Columns, BoolArray]:
    """The point nearest to all tangent planes in a cell (Ju et al. 2002), where they differ in direction.

    Only points about the vertex's own cell count, so that just the cell that holds the edge is drawn to it.
    """
    normal = np.stack(gathered(data.normals, index), axis=2)
    offset = np.stack(gathered(data.points, index), axis=2) - middles.T[:, None]
    share = data.weight[index] * (np.einsum("nki,in->nk", normal, facing) > 0)
    share *= np.exp(-((np.abs(offset).max(axis=2) / window) ** 4))
    share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-12)
    spread = np.matmul((normal * share[..., None]).transpose(0, 2, 1), normal)
    strength, axes = np.linalg.eigh(spread.astype(np.float64))
    on_edge = strength[:, 1] > SHARP * strength[:, 2]
    origin = np.einsum("nk,nki->ni", share, offset) if window < cell else np.zeros((len(index), 3))
    height = np.einsum("nki,nki->nk", normal, offset - origin[:, None])
    pull = np.einsum("nk,nki->ni", share * height, normal)
    fixed = strength > DETERMINED * strength[:, 2:]
    inverse = np.where(fixed, 1 / np.where(fixed, strength, 1.0), 0.0)
    place = origin + np.einsum("nij,nj->ni", axes, inverse * np.einsum("nij,ni->nj", axes, pull))
    on_edge &= (np.abs(place) <= window).all(axis=1) & _passed_through(place, normal, offset, share, OFF_PLANE * cell)
    return (middles + place.T).astype(np.float32), on_edge


def _passed_through(place: Reals, normal: Reals, offset: Reals, share: Reals, bearable: float) -> BoolArray:
    """(n,) whether the planes of the points nearest to a place (n, 3) pass through it; of those with a share."""
    away = offset - place[:, None]
    far = np.where(share > 0, (away**2).sum(axis=2), np.inf)
    judges = np.argpartition(far, JUDGES, axis=1)[:, :JUDGES] if far.shape[1] > JUDGES else np.arange(far.shape[1])
    height = np.abs(np.einsum("nki,nki->nk", normal, away))
    through: BoolArray = np.take_along_axis(height, judges, axis=1).mean(axis=1) <= bearable
    return through
