"""Products of rows of vectors, written out: on the small arrays of a patch several times faster than the library's."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.part import FloatArray


def cross(one: NDArray[np.floating[Any]], other: NDArray[np.floating[Any]]) -> FloatArray:
    """(..., 3) cross products of vectors (..., 3); shapes that broadcast."""
    a, b, c = one[..., 0], one[..., 1], one[..., 2]
    x, y, z = other[..., 0], other[..., 1], other[..., 2]
    product = np.empty((*np.broadcast_shapes(a.shape, x.shape), 3))
    product[..., 0] = b * z - c * y
    product[..., 1] = c * x - a * z
    product[..., 2] = a * y - b * x
    return product


def cross_by_axis(one: FloatArray, other: FloatArray) -> FloatArray:
    """(3, ...) cross products of vectors that are given axis by axis, (3, ...); shapes that broadcast."""
    a, b, c = one
    x, y, z = other
    return np.stack([b * z - c * y, c * x - a * z, a * y - b * x])


def length(vectors: NDArray[np.floating[Any]]) -> FloatArray:
    """(...) lengths of vectors (..., 3)."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    long: FloatArray = np.sqrt(x * x + y * y + z * z)
    return long


def inner(one: NDArray[np.floating[Any]], other: NDArray[np.floating[Any]]) -> FloatArray:
    """(...) scalar products of vectors (..., 3); shapes that broadcast."""
    product: FloatArray = one[..., 0] * other[..., 0] + one[..., 1] * other[..., 1] + one[..., 2] * other[..., 2]
    return product


def dot(one: FloatArray, other: FloatArray) -> FloatArray:
    """(...) scalar products of vectors that are given axis by axis, (3, ...)."""
    product: FloatArray = np.einsum("i...,i...->...", one, other)
    return product
