"""Noise taken out of a cloud by projection onto local fits that respect edges."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.cloud import unit
from pipeline.part import FloatArray, IndexArray

CHUNK = 65_536


def filtered_normals(
    points: FloatArray,
    normals: FloatArray,
    weight: FloatArray,
    neighbours: IndexArray,
    reach: float,
    *,
    spread: float = 0.35,
    passes: int = 3,
) -> FloatArray:
    """Bilateral mean of the neighbours' normals (Zheng et al. 2011): smooth faces smooth, edges sharp.

    Parameters
    ----------
    points, normals : (n, 3)
    weight : (n,)
    neighbours : (n, k)
    reach : millimetres; standard deviation of the weight by distance
    spread : how far two normals may differ and still belong to one face, as the length of their difference
    """
    for _ in range(passes):
        out = np.empty_like(normals)
        for start in range(0, len(points), CHUNK):
            here = slice(start, start + CHUNK)
            index = neighbours[here]
            share = weight[index] * _near(points, index, points[here], reach)
            other = normals[index]
            differs = np.einsum("nki,ni->nk", other, normals[here])
            share *= np.exp(-(1 - differs) / spread**2)
            out[here] = np.einsum("nk,nki->ni", share, other)
        normals = unit(out)
    return normals


def projected(
    targets: FloatArray,
    target_normals: FloatArray,
    points: FloatArray,
    normals: FloatArray,
    weight: FloatArray,
    neighbours: IndexArray,
    reach: float,
    *,
    spread: float = 0.35,
) -> tuple[FloatArray, FloatArray]:
    """Targets moved along their normals onto the surface that the points around describe.

    The height of the surface over a target as each neighbour predicts it, along the mean of both normals: that
    is exact for the curvature of a sphere, where the neighbour's own plane errs to one side and the target's
    to the other. Weighted by distance, likeness of normals, and count.

    Parameters
    ----------
    targets, target_normals : (n, 3)
    points, normals : (m, 3), with weight (m,)
    neighbours : (n, k) indices of points around each target
    reach : millimetres; standard deviation of the weight by distance

    Returns
    -------
    (n, 3) moved targets and (n, 3) their normals.
    """
    moved, facing = np.array(targets), np.array(target_normals)
    for start in range(0, len(targets), CHUNK):
        here = slice(start, start + CHUNK)
        index = neighbours[here]
        other, own = normals[index], target_normals[here]
        share = weight[index] * _near(points, index, targets[here], reach)
        alike = np.einsum("nki,ni->nk", other, own)
        share *= np.exp(-(1 - alike) / spread**2)
        total = share.sum(axis=1)
        good = total > 1e-12
        mean = unit(np.einsum("nk,nki->ni", share, other))
        halfway = unit_rows(other + mean[:, None])
        offset = points[index] - targets[here, None]
        along = np.einsum("nki,nki->nk", halfway, offset)
        height = np.einsum("nk,nk->n", share, along) / np.where(good, total, 1.0)
        moved[here] = np.where(good[:, None], targets[here] + mean * height[:, None], targets[here])
        facing[here] = np.where(good[:, None], mean, own)
    return moved, facing


def unit_rows(vectors: FloatArray) -> FloatArray:
    length = np.sqrt(np.einsum("nki,nki->nk", vectors, vectors))
    return np.asarray(vectors / np.maximum(length, 1e-12)[..., None])


def _near(points: FloatArray, index: IndexArray, targets: FloatArray, reach: float) -> FloatArray:
    offset = points[index] - targets[:, None]
    return np.asarray(np.exp(np.einsum("nki,nki->nk", offset, offset) / (-2 * reach**2)))
