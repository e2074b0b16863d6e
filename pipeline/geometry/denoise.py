"""Noise taken out of a cloud by projection onto local fits that respect edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.neighbours import Columns, dot, gathered, normalised, offsets, pieces, weighted_sum
from pipeline.part import IndexArray

SPREAD = 0.35
"""How far two normals may differ and still belong to one face, as the length of their difference."""


def filtered_normals(
    points: Columns,
    normals: Columns,
    weight: NDArray[np.float32],
    neighbours: IndexArray,
    reach: float,
    *,
    spread: float = SPREAD,
    passes: int = 3,
) -> Columns:
    """Bilateral mean of the neighbours' normals (Zheng et al. 2011): smooth faces smooth, edges sharp.

    Parameters
    ----------
    points, normals : (3, n)
    weight : (n,) how many measurements each point stands for
    neighbours : (n, k)
    reach : millimetres; standard deviation of the weight by distance
    spread : how far two normals may differ and still belong to one face
    """
    near = np.empty(neighbours.shape, np.float32)
    for here in pieces(len(neighbours)):
        near[here] = near_weights(points, weight, neighbours[here], points[:, here], reach)[0]
    for _ in range(passes):
        out = np.empty_like(normals)
        for here in pieces(len(neighbours)):
            other = gathered(normals, neighbours[here])
            alike = dot(other, normals[:, here])
            out[:, here] = weighted_sum(near[here] * np.exp((alike - 1) / np.float32(spread**2)), other)
        normals = normalised(out)
    return normals


def projected(
    targets: Columns,
    facing: Columns,
    points: Columns,
    normals: Columns,
    weight: NDArray[np.float32],
    neighbours: IndexArray,
    reach: float,
    *,
    around: IndexArray | None = None,
    spread: float = SPREAD,
) -> tuple[Columns, Columns]:
    """Targets moved along their normals onto the surface that the points around describe.

    The height of the surface over a target as each neighbour predicts it, along the mean of both normals: that
    is exact for the curvature of a sphere, where the neighbour's own plane errs to one side and the target's
    to the other. Weighted by distance, likeness of normals, and count.

    Parameters
    ----------
    targets, facing : (3, n) places and normals
    points, normals : (3, m), with weight (m,)
    neighbours : (m, k) indices of points around each point
    reach : millimetres; standard deviation of the weight by distance
    around : (n,) the point whose neighbours are each target's; each target's own number when None

    Returns
    -------
    (3, n) moved targets and (3, n) their normals; a target without neighbours that look its way stays.
    """
    moved, turned = np.array(targets), np.array(facing)
    for here in pieces(targets.shape[1]):
        index = neighbours[here] if around is None else neighbours[around[here]]
        share, offset = near_weights(points, weight, index, targets[:, here], reach)
        other = gathered(normals, index)
        share *= np.exp((dot(other, facing[:, here]) - 1) / np.float32(spread**2))
        total = share.sum(axis=1)
        good = total > 1e-9
        mean = normalised(weighted_sum(share, other))
        along = other[0] * offset[0] + other[1] * offset[1] + other[2] * offset[2] + dot(offset, mean)
        along /= np.sqrt(np.maximum(2 + 2 * dot(other, mean), np.float32(1e-3)))
        height = np.where(good, np.einsum("nk,nk->n", share, along) / np.where(good, total, 1), 0)
        moved[:, here] += mean * height
        turned[:, here] = np.where(good, mean, facing[:, here])
    return moved, turned


def near_weights(
    points: Columns, weight: NDArray[np.float32], index: IndexArray, targets: Columns, reach: float
) -> tuple[NDArray[np.float32], list[NDArray[np.float32]]]:
    """(n, k) weight by count and distance, and the three components of the offset to each neighbour."""
    offset = offsets(points, index, targets)
    square = offset[0] ** 2 + offset[1] ** 2 + offset[2] ** 2
    return weight[index] * np.exp(square / np.float32(-2 * reach**2)), offset
