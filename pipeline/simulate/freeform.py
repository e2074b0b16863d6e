"""Free-form bodies: fields of smoothly blended shapes and the closed mesh of their zero level."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from pipeline.part import FloatArray, IndexArray, Mesh

Field = Callable[[FloatArray], FloatArray]
"""(n, 3) points in millimetres to (n,) values: negative inside, about the distance near the surface."""

# Six tetrahedra that fill a cube and match their neighbours' (Kuhn 1960); corners as bits x, y, z.
_TETRAHEDRA = np.array([[0, 1, 3, 7], [0, 3, 2, 7], [0, 2, 6, 7], [0, 6, 4, 7], [0, 4, 5, 7], [0, 5, 1, 7]])
_BLOCK = 4
_CORNERS = np.array([[c & 1, c >> 1 & 1, c >> 2 & 1] for c in range(8)])


def ball_chain(points: ArrayLike, radii: ArrayLike, blend: float) -> Field:
    """A limb: balls of changing radius swept along a polyline."""
    points, radii = np.asarray(points, float), np.asarray(radii, float)

    def field(p: FloatArray) -> FloatArray:
        links = []
        for (a, b), (ra, rb) in zip(pairwise(points), pairwise(radii), strict=True):
            along = np.clip((p - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
            links.append(_length(p - a - along[:, None] * (b - a)) - (ra + along * (rb - ra)))
        return _blended(links, blend)

    return field


def ellipsoid(centre: ArrayLike, radii: ArrayLike, turn: FloatArray | None = None) -> Field:
    """An ellipsoid; ``turn`` (3, 3) takes its axes to the world's."""
    centre, radii = np.asarray(centre, float), np.asarray(radii, float)
    turn = np.eye(3) if turn is None else turn

    def field(p: FloatArray) -> FloatArray:
        local = (p - centre) @ turn
        scaled, slope = _length(local / radii), np.maximum(_length(local / radii**2), 1e-9)
        return scaled * (scaled - 1) / slope

    return field


def rounded_box(centre: ArrayLike, size: ArrayLike, radius: float) -> Field:
    """A box with all its edges rounded."""
    centre, half = np.asarray(centre, float), np.asarray(size, float) / 2 - radius

    def field(p: FloatArray) -> FloatArray:
        beyond = np.abs(p - centre) - half
        within: FloatArray = np.minimum(beyond.max(axis=1), 0)
        return _length(np.maximum(beyond, 0)) + within - radius

    return field


def blend(width: float, *fields: Field) -> Field:
    """The union of shapes with the creases between them filled over about ``width``."""
    return lambda p: _blended([field(p) for field in fields], width)


def body(field: Field, low: ArrayLike, high: ArrayLike, cell: float) -> Mesh:
    """The closed mesh of a field's zero level, its vertices within a few micrometres of it.

    Marching tetrahedra (Doi and Koide 1991), which always gives a two-manifold, then Newton steps along the gradient.

    Parameters
    ----------
    low, high : corners of a box that holds the whole body
    cell : side of the grid's cubes, millimetres
    """
    low, high = np.asarray(low, float), np.asarray(high, float)
    value = _sampled(field, low, high, cell)
    corners = _corners_of_cut_cells(value < 0)
    edges, faces = _cut_tetrahedra(corners[:, _TETRAHEDRA].reshape(-1, 4), value.ravel())
    first, second = (low + np.stack(np.unravel_index(edges[:, k], value.shape), axis=-1) * cell for k in (0, 1))
    share = value.ravel()[edges[:, 0]] / (value.ravel()[edges[:, 0]] - value.ravel()[edges[:, 1]])
    vertices = _onto_zero(field, first + np.clip(share, 0.02, 0.98)[:, None] * (second - first), cell, 3)
    vertices, faces = _halved(vertices, faces)
    return Mesh(_onto_zero(field, vertices, cell, 1), faces)


def _sampled(field: Field, low: FloatArray, high: FloatArray, cell: float) -> FloatArray:
    """The field on a grid of nodes; far from the surface only its sign, taken from the middle of a block of nodes."""
    blocks = np.ceil((high - low) / cell / _BLOCK).astype(int) + 1
    middles = np.stack(np.meshgrid(*map(np.arange, blocks), indexing="ij"), axis=-1).reshape(-1, 3) + 0.5
    rough = field(low + middles * _BLOCK * cell)
    value = np.repeat(rough[:, None], _BLOCK**3, axis=1)
    near = np.abs(rough) < 1.6 * _BLOCK * cell
    within = np.stack(np.meshgrid(*[np.arange(_BLOCK)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    nodes = ((middles[near] - 0.5) * _BLOCK)[:, None] + within
    value[near] = field((low + nodes * cell).reshape(-1, 3)).reshape(-1, _BLOCK**3)
    value[value == 0] = 1e-9
    folded = value.reshape(*blocks, _BLOCK, _BLOCK, _BLOCK).transpose(0, 3, 1, 4, 2, 5)
    return np.ascontiguousarray(folded).reshape(blocks * _BLOCK)


def _halved(vertices: FloatArray, faces: IndexArray) -> tuple[FloatArray, IndexArray]:
    """Every triangle cut into four at the middles of its edges."""
    sides = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]], axis=2).reshape(-1, 2)
    edges, middle = np.unique(sides, axis=0, return_inverse=True)
    ab, bc, ca = (middle.reshape(-1, 3) + len(vertices)).T
    a, b, c = faces.T
    quarters = [np.column_stack(corners) for corners in ((a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca))]
    return np.vstack([vertices, vertices[edges].mean(axis=1)]), np.vstack(quarters).astype(np.int32)


def _corners_of_cut_cells(inside: np.ndarray) -> np.ndarray:
    """(k, 8) flat node numbers of the cells that the surface passes through."""
    cells = inside[:-1, :-1, :-1]
    count = sum(inside[tuple(slice(o, o + n) for o, n in zip(corner, cells.shape, strict=True))].astype(np.int8)
                for corner in _CORNERS)  # fmt: skip
    first = np.argwhere((count > 0) & (count < 8))
    return np.stack([np.ravel_multi_index((first + corner).T, inside.shape) for corner in _CORNERS], axis=1)


def _cut_tetrahedra(tetrahedra: np.ndarray, value: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    """(e, 2) cut grid edges, which are the vertices, and (m, 3) faces into them, turned outwards."""
    inside = value[tetrahedra] < 0
    order = np.argsort(~inside, axis=1, kind="stable")  # inner corners first
    sorted_corners = np.take_along_axis(tetrahedra, order, axis=1)
    odd = np.linalg.det(np.eye(4)[order]) < 0  # the sorting mirrored the tetrahedron
    count = inside.sum(axis=1)
    triangles = []
    for inner, patterns in (
        (1, [((0, 1), (0, 2), (0, 3))]),
        (2, [((0, 2), (0, 3), (1, 3)), ((0, 2), (1, 3), (1, 2))]),
        (3, [((0, 3), (1, 3), (2, 3))]),
    ):
        chosen, flip = sorted_corners[count == inner], odd[count == inner]
        for pattern in patterns:
            triangle = np.stack([chosen[:, pair] for pair in pattern], axis=1)
            triangle[flip] = triangle[flip][:, ::-1]
            triangles.append(triangle)
    corners = np.sort(np.concatenate(triangles), axis=2).reshape(-1, 2)
    edges, faces = np.unique(corners, axis=0, return_inverse=True)
    return edges, faces.reshape(-1, 3)


def _onto_zero(field: Field, vertices: FloatArray, cell: float, steps: int) -> FloatArray:
    for _ in range(steps):
        value, slope = field(vertices), np.empty_like(vertices)
        for axis in range(3):
            step = np.zeros(3)
            step[axis] = 0.01 * cell
            slope[:, axis] = (field(vertices + step) - field(vertices - step)) / (0.02 * cell)
        move = -value[:, None] * slope / np.maximum((slope**2).sum(axis=1, keepdims=True), 0.05)
        vertices = vertices + np.clip(move, -0.2 * cell, 0.2 * cell)
    return vertices


def _length(vectors: FloatArray) -> FloatArray:
    length: FloatArray = np.sqrt(np.einsum("ij,ij->i", vectors, vectors))
    return length


def _blended(values: list[FloatArray], width: float) -> FloatArray:
    """Smooth minimum by pairs, quadratic over ``width``."""
    result = values[0]
    for value in values[1:]:
        overlap = np.maximum(width - np.abs(result - value), 0) / width
        result = np.minimum(result, value) - overlap**2 * width / 4
    return result
