"""Folds taken out of a surface whose vertices were moved."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.edges import touching
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import face_vectors
from pipeline.geometry.vectors import inner, length
from pipeline.part import BoolArray, FloatArray, IndexArray, LongArray

LEAST = 0.2
"""Cosine between a face and the surface it stands for, below which it counts as folded over."""
BACK = 0.7
"""Share of its distance from the middle of its neighbours that a vertex keeps each time a face at it is folded; below
``NOTHING`` it keeps none."""
NOTHING = 0.2
ROUNDS, PASSES = 40, 3
EVENED = 8
"""Rounds in which a group of four vertices comes to rest between its neighbours."""


def unfolded(vertices: FloatArray, faces: IndexArray, facing: FloatArray) -> FloatArray:
    """Vertices with those moved that make faces turn over.

    Of the corners of a folded face the one farthest from the middle of its neighbours goes some of the way there, and
    so on until nothing is folded or nobody can go further. Along an edge of the part the neighbours lie in the edge, so
    it stays sharp. A surface with folds passes through itself: patches beside it are refused, and what prints it may
    take inside for outside.

    Parameters
    ----------
    vertices : (n, 3), millimetres
    faces : (m, 3)
    facing : (n, 3) which way the surface faces at each vertex
    """
    folded = np.flatnonzero(_is_folded(vertices, faces, facing))
    if len(folded) == 0:
        return vertices
    incidence = Incidence(faces, len(vertices))
    for _ in range(PASSES):
        placed = _drawn_in(vertices, faces, facing, folded, incidence)
        moved = np.flatnonzero((placed != vertices).any(axis=1))
        vertices = placed
        asked = np.union1d(folded, incidence.faces_at(moved))
        folded = asked[_is_folded(vertices, faces[asked], facing)]
        if len(folded) == 0:
            break
    return vertices


def evened(vertices: FloatArray, faces: IndexArray, chosen: BoolArray) -> FloatArray:
    """Vertices with the chosen ones (n,) put in the middle of their neighbours, again and again until they settle."""
    near, around = _renumbered(faces[touching(faces, chosen)])
    placed, here = vertices[near], chosen[near]
    for _ in range(EVENED):
        placed[here] = _middles(placed, around)[here]
    result = vertices.copy()
    result[near] = placed
    return result


def _drawn_in(
    vertices: FloatArray, faces: IndexArray, facing: FloatArray, folded: LongArray, incidence: Incidence
) -> FloatArray:
    """One pass that begins with these folded faces; ``far`` is negative where a vertex was not asked about yet."""
    middles, far = np.zeros_like(vertices), np.full(len(vertices), -1.0)
    share, placed = np.ones(len(vertices)), vertices.copy()
    for _ in range(ROUNDS):
        corners = faces[folded]
        new = np.unique(corners[far[corners] < 0])
        if len(new):
            middles[new] = _middles_of(new, vertices, faces, incidence)
            far[new] = length(vertices[new] - middles[new])
        way = far[corners] * share[corners]
        movable = way.max(axis=1, initial=0) > 0
        back = np.unique(corners[movable, way[movable].argmax(axis=1)])
        if len(back) == 0:
            break
        share[back] = np.where(share[back] > NOTHING, BACK * share[back], 0.0)
        placed[back] = middles[back] + share[back, None] * (vertices[back] - middles[back])
        asked = incidence.faces_at(np.unique(corners))  # also those of which another corner moved
        folded = asked[_is_folded(placed, faces[asked], facing)]
    return placed


def _middles_of(chosen: IndexArray, vertices: FloatArray, faces: IndexArray, incidence: Incidence) -> FloatArray:
    """(k, 3) mean of the neighbours of some vertices (k,) in rising order."""
    near, around = _renumbered(faces[incidence.faces_at(chosen)])
    return _middles(vertices[near], around)[np.searchsorted(near, chosen)]


def _renumbered(faces: IndexArray) -> tuple[IndexArray, IndexArray]:
    """The vertices of some faces (m, 3) in rising order, and the faces by their places among these."""
    near, place = np.unique(faces, return_inverse=True)
    return near, place.reshape(-1, 3).astype(np.int32)


def _middles(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """(n, 3) mean of each vertex's neighbours; itself where it has none."""
    begin, end = faces.ravel(), faces[:, (1, 2, 0)].ravel()
    here, there = np.concatenate([begin, end]), np.concatenate([end, begin])
    count = np.bincount(here, minlength=len(vertices))
    total = [np.bincount(here, weights=vertices[there, axis], minlength=len(vertices)) for axis in range(3)]
    mean = np.stack(total, axis=1) / np.maximum(count, 1)[:, None]
    return np.where(count[:, None] > 0, mean, vertices)


def _is_folded(vertices: FloatArray, faces: IndexArray, facing: FloatArray) -> BoolArray:
    across = face_vectors(vertices, faces)
    a, b, c = (facing[faces[:, corner]] for corner in range(3))  # numpy is slow along an axis of three
    wanted = a + b + c
    folded: BoolArray = inner(across, wanted) < LEAST * length(across) * length(wanted)
    return folded
