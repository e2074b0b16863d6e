"""How dense and how noisy a set of points is: the two lengths that every default scales with."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.part import FloatArray

SAMPLE = 2_000
"""Places asked: their median is sure to a hundredth."""
AREAL_NEIGHBOURS = 16
FARTHEST_SPACINGS = 2.0
"""Of points spread at random over a surface, one place in 300,000 has none within so many spacings (exp(-4 pi))."""
QUADRIC_NEIGHBOURS, FEWEST_NEIGHBOURS = 40, 12
QUIET_NEIGHBOURS, QUIET_SHARE, TIMES_QUIET = 16, 0.1, 4.0
"""The residuals of small neighbourhoods below which this share of them lies are .7 of the noise (chi-square table,
10 degrees of freedom, from memory), half that where much is seen at a slant. Four times as much is no noise."""
TOLD_SPACINGS = 0.06
"""Less than so much of the spacing is not told from relief, and nothing depends on it."""


def rough_tree(points: FloatArray) -> cKDTree:
    """A k-d tree for a few thousand questions: unbalanced and with large leaves it is built in a third of the time."""
    return cKDTree(points, leafsize=32, balanced_tree=False, compact_nodes=False)


def point_spacing(points: FloatArray, tree: cKDTree | None = None) -> float:
    """Typical distance between neighbouring points on the surface.

    The side of the square of surface that one point stands for, from the disc that holds the 16 nearest
    neighbours; the median over a sample, so that strays do not count.

    Parameters
    ----------
    points : (n, 3), millimetres, n >= 2
    tree : a k-d tree of ``points`` when there is one already

    Returns
    -------
    Spacing in millimetres; 0.0 when all points coincide.
    """
    neighbours = min(AREAL_NEIGHBOURS, len(points) - 1)
    if neighbours < 1:
        raise ValueError("spacing needs at least two points")
    tree = tree if tree is not None else rough_tree(points)
    distance, _ = tree.query(sampled(points), k=[neighbours + 1], workers=-1)
    return areal_spacing(distance[:, 0], neighbours)


def areal_spacing(distance: FloatArray, neighbours: int) -> float:
    """Spacing of points whose ``neighbours``-th neighbours are at ``distance`` (n,): as point_spacing."""
    return float(np.median(distance) * np.sqrt(np.pi / neighbours))


def noise_level(points: FloatArray, tree: cKDTree | None = None) -> float:
    """Standard deviation of the points about the smooth surface through them.

    Residuals of least-squares quadrics over the 40 nearest neighbours of a sample, corrected for the six
    coefficients; the median over the sample, so that edges and strays do not count. Where the points are so far apart
    that relief shows in most neighbourhoods, at most a few times what is left in the quietest small ones, or a small
    share of the spacing.

    Parameters
    ----------
    points : (n, 3), millimetres

    Returns
    -------
    Millimetres; 0.0 when there are too few points to tell.
    """
    neighbours = min(QUADRIC_NEIGHBOURS, len(points))
    if neighbours < FEWEST_NEIGHBOURS:
        return 0.0
    tree = tree if tree is not None else rough_tree(points)
    distance, index = tree.query(sampled(points), k=neighbours, workers=-1)
    patches = points[index]  # nearest first
    quiet = float(np.quantile(_residuals(patches[:, :QUIET_NEIGHBOURS]), QUIET_SHARE))
    spacing = areal_spacing(distance[:, -1], neighbours - 1)
    return min(patch_noise(patches), max(TIMES_QUIET * quiet, TOLD_SPACINGS * spacing))


def patch_noise(patches: FloatArray) -> float:
    """Standard deviation of points about the smooth surface through them, over ready neighbourhoods.

    Parameters
    ----------
    patches : (n, k, 3) neighbourhoods of k points, millimetres

    Returns
    -------
    Millimetres: the median over the neighbourhoods; 0.0 when they have too few points to tell.
    """
    return float(np.median(_residuals(patches))) if patches.shape[1] >= FEWEST_NEIGHBOURS else 0.0


def _residuals(patches: FloatArray) -> FloatArray:
    """(n,) standard deviation of each neighbourhood (k, 3) about its own quadric, mm."""
    neighbours = patches.shape[1]
    patches = patches - patches.mean(axis=1, keepdims=True)
    _, frames = np.linalg.eigh(np.einsum("nki,nkj->nij", patches, patches))
    local = np.einsum("nki,nij->nkj", patches, frames)
    height, u, v = local[..., 0], local[..., 1], local[..., 2]
    reach = np.maximum(np.abs(local[..., 1:]).max(axis=(1, 2)), np.finfo(float).tiny)[:, None]
    u, v = u / reach, v / reach
    design = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    basis, _ = np.linalg.qr(design)
    residual = height - np.einsum("nki,nji,nj->nk", basis, basis, height)
    found: FloatArray = np.sqrt((residual**2).sum(axis=1) / (neighbours - 6))
    return found


def sampled(points: FloatArray) -> FloatArray:
    """An even choice of at most SAMPLE points: the same points in, the same sample out."""
    if len(points) <= SAMPLE:
        return points
    return points[np.random.default_rng(0).choice(len(points), SAMPLE, replace=False)]
