"""Places in even steps all over the faces of a mesh."""

from __future__ import annotations

import numpy as np

from pipeline.part import FloatArray, IndexArray

MOST_ROWS = 100
"""A face is cut into so many rows at most: ten thousand places on it."""


def lattice(vertices: FloatArray, faces: IndexArray, step_mm: float) -> tuple[FloatArray, IndexArray]:
    """(k, 3) places on each face and along its sides, and (k,) the face of each.

    Along a side: the middles of equal parts about a step long, once where two faces share it. On a face: as well, in
    steps twice as long, for where two surfaces are near, the farthest places of one are on its edges.
    """
    on_faces, of_faces = _on_faces(vertices, faces, 2 * step_mm)
    along, of_sides = _along_sides(vertices, faces, step_mm)
    return np.concatenate([on_faces, along]), np.concatenate([of_faces, of_sides])


def _on_faces(vertices: FloatArray, faces: IndexArray, step_mm: float) -> tuple[FloatArray, IndexArray]:
    """A face is cut into as many rows as its area asks for, and each row into triangles like the face itself."""
    corners = vertices[faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    parts = np.linalg.norm(across, axis=1) / (np.sqrt(0.75) * step_mm**2)  # of equilateral triangles with such sides
    rows = np.clip(np.ceil(np.sqrt(parts)), 1, MOST_ROWS).astype(int)
    places, of = [np.zeros((0, 3))], [np.zeros(0, np.int32)]
    for count in np.unique(rows):
        chosen = np.flatnonzero(rows == count).astype(np.int32)
        weights = _middles(int(count))
        places.append((weights @ corners[chosen]).reshape(-1, 3))
        of.append(np.repeat(chosen, len(weights)))
    return np.concatenate(places), np.concatenate(of)


def _along_sides(vertices: FloatArray, faces: IndexArray, step_mm: float) -> tuple[FloatArray, IndexArray]:
    tail, head = (ends.reshape(-1).astype(np.int64) for ends in (faces, faces[:, (1, 2, 0)]))
    way, back = (one * (int(faces.max(initial=0)) + 1) + other for one, other in ((tail, head), (head, tail)))
    side = np.flatnonzero((tail < head) | ~np.isin(way, back[tail < head]))
    start, along = vertices[tail[side]], vertices[head[side]] - vertices[tail[side]]
    parts = np.clip(np.ceil(np.linalg.norm(along, axis=1) / step_mm), 1, MOST_ROWS).astype(int)
    which = np.repeat(np.arange(len(side)), parts)
    part = np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)
    places = start[which] + along[which] * ((part + 0.5) / parts[which])[:, None]
    return places, (side[which] // 3).astype(np.int32)


def _middles(rows: int) -> FloatArray:
    """(rows^2, 3) weights of the corners at the middles of the parts of a triangle cut into so many rows."""
    i, j = np.meshgrid(np.arange(rows), np.arange(rows), indexing="ij")
    up, down = i + j < rows, i + j < rows - 1
    first = np.concatenate([i[up] + 1 / 3, i[down] + 2 / 3]) / rows
    second = np.concatenate([j[up] + 1 / 3, j[down] + 2 / 3]) / rows
    return np.column_stack([first, second, 1 - first - second])
