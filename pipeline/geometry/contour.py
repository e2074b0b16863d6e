"""The zero level of a sparse field as a mesh: one vertex for each sheet of surface in a cell."""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.sparse_grid import STEP, Field, Keys, found, merged, unpacked
from pipeline.part import FloatArray, IndexArray

CORNERS = list(product((0, 1), repeat=3))
"""Corner c of a cell lies at CORNERS[c]."""
EDGES = [(axis, corner) for axis in range(3) for corner in CORNERS if corner[axis] == 0]
"""The twelve edges of a cell: direction and the corner they start at."""


def contour(field: Field) -> tuple[FloatArray, IndexArray, FloatArray]:
    """Quadrilaterals around the zero level (dual marching cubes, Nielson 2004).

    Surface ends where the field ends: nothing is closed that the field does not know.

    Returns
    -------
    (n, 3) vertices in millimetres, (m, 4) quadrilaterals counter-clockwise seen from outside, and (n, 3) the
    middle of the cell each vertex belongs to.
    """
    inside = field.value < 0
    crossings = [_crossings(field, inside, axis) for axis in range(3)]
    around = [_cells_around(field.keys[start], axis) for axis, (start, _) in enumerate(crossings)]
    cells = merged([cell for four in around for cell in four])
    corner = np.stack([found(field.keys, cells + _shift(where)) for where in CORNERS], axis=1)
    whole = (corner >= 0).all(axis=1)
    cells, corner = cells[whole], corner[whole]
    if len(cells) == 0:
        return np.zeros((0, 3)), np.zeros((0, 4), np.int32), np.zeros((0, 3))
    shape = inside[corner] @ (1 << np.arange(8))
    sheet, sheets = _sheet_table()
    first = np.concatenate([[0], np.cumsum(sheets[shape])])
    quads, sums = [], np.zeros((4, first[-1]))
    for axis, (start, end) in enumerate(crossings):
        low, high = field.value[start], field.value[end]
        position = unpacked(field.keys[start])
        position[:, axis] += low / (low - high)
        vertex = np.full((len(start), 4), -1)
        for which, (cell, edge) in enumerate(zip(around[axis], _edges_around(axis), strict=True)):
            at = found(cells, cell)
            here = at >= 0
            vertex[here, which] = first[at[here]] + sheet[shape[at[here]], edge]
            for channel, values in enumerate((*position.T, np.ones(len(start)))):
                sums[channel] += np.bincount(vertex[here, which], weights=values[here], minlength=first[-1])
        complete = (vertex >= 0).all(axis=1)
        leaves = inside[start][complete]
        quads.append(np.where(leaves[:, None], vertex[complete], vertex[complete][:, ::-1]))
    middle = unpacked(np.repeat(cells, sheets[shape])) + 0.5
    vertices = (sums[:3] / np.maximum(sums[3], 1)).T
    return (
        field.origin + vertices * field.cell,
        np.concatenate(quads).astype(np.int32),
        field.origin + middle * field.cell,
    )


def _crossings(field: Field, inside: NDArray[np.bool_], axis: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Nodes where a grid edge along an axis starts and ends whose ends lie on different sides."""
    following = found(field.keys, field.keys + STEP[axis])
    start = np.flatnonzero(following >= 0)
    start = start[inside[start] != inside[following[start]]]
    return start, following[start]


def _cells_around(node: Keys, axis: int) -> list[Keys]:
    """The four cells around a grid edge, counter-clockwise seen against the axis."""
    one, other = STEP[(axis + 1) % 3], STEP[(axis + 2) % 3]
    return [node - one - other, node - other, node, node - one]


def _edges_around(axis: int) -> list[int]:
    """Which edge of each of the four cells it is."""
    out = []
    for one, other in ((1, 1), (0, 1), (0, 0), (1, 0)):
        corner = [0, 0, 0]
        corner[(axis + 1) % 3], corner[(axis + 2) % 3] = one, other
        out.append(EDGES.index((axis, (corner[0], corner[1], corner[2]))))
    return out


def _shift(corner: tuple[int, ...]) -> np.int64:
    return corner[0] * STEP[0] + corner[1] * STEP[1] + corner[2] * STEP[2]


@cache
def _sheet_table() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(256, 12) the sheet of surface that crosses each edge of a cell, and (256,) how many sheets there are.

    Two crossed edges of one face of the cell belong together; where all four edges of a face are crossed, the
    two at each outside corner do, the same seen from both cells of the face.
    """
    sheet, sheets = np.full((256, 12), -1), np.zeros(256, np.int64)
    for shape in range(256):
        inside = {corner: bool(shape >> c & 1) for c, corner in enumerate(CORNERS)}
        group = {e: e for e in range(12) if inside[EDGES[e][1]] != inside[_end(EDGES[e])]}
        for axis, side in product(range(3), (0, 1)):
            crossed = [e for e in group if EDGES[e][0] != axis and EDGES[e][1][axis] == side]
            for one, other in _joined(crossed, inside):
                old, new = group[one], group[other]
                group = {e: new if g == old else g for e, g in group.items()}
        names = {g: k for k, g in enumerate(dict.fromkeys(group.values()))}
        for e, g in group.items():
            sheet[shape, e] = names[g]
        sheets[shape] = len(names)
    return sheet, sheets


def _joined(crossed: list[int], inside: dict[tuple[int, ...], bool]) -> list[tuple[int, int]]:
    """Pairs of a face's crossed edges that one sheet joins."""
    if len(crossed) < 4:
        return [(crossed[0], crossed[1])] if crossed else []
    outside = {c for e in crossed for c in (EDGES[e][1], _end(EDGES[e])) if not inside[c]}
    pairs = [[e for e in crossed if corner in (EDGES[e][1], _end(EDGES[e]))] for corner in sorted(outside)]
    return [(one, other) for one, other in pairs]


def _end(edge: tuple[int, tuple[int, ...]]) -> tuple[int, ...]:
    axis, corner = edge
    return tuple(value + (k == axis) for k, value in enumerate(corner))
