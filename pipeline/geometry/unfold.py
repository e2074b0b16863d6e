"""Folds taken out of a surface whose vertices were moved."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.measure import face_vectors
from pipeline.part import FloatArray, IndexArray

LEAST = 0.2
"""Cosine between a face and the surface it stands for, below which it counts as folded over."""
BACK = 0.7
"""Share of its way that a vertex keeps each time a face at it is folded; below ``NOTHING`` it keeps none."""
NOTHING = 0.2
ROUNDS = 40


def unfolded(before: FloatArray, after: FloatArray, faces: IndexArray, facing: FloatArray) -> FloatArray:
    """Vertices moved from ``before`` to ``after``, less far where a face would turn over.

    Of the corners of a folded face the one that moved farthest goes back some of its way, and so on until nothing
    is folded or nobody can go back further. A surface of folds passes through itself: patches beside it are refused,
    and what prints it may take inside for outside.

    Parameters
    ----------
    before, after : (n, 3), millimetres
    faces : (m, 3)
    facing : (n, 3) which way the surface faces at each vertex
    """
    far = np.linalg.norm(after - before, axis=1)
    share = np.where(far > 0, 1.0, 0.0)
    placed = after.copy()
    asked = faces
    for _ in range(ROUNDS):
        folded = asked[_is_folded(placed, asked, facing)]
        way = (far * share)[folded]
        corner = way.argmax(axis=1)
        movable = way.max(axis=1, initial=0) > 0
        back = np.unique(folded[movable, corner[movable]])
        if len(back) == 0:
            break
        share[back] = np.where(share[back] > NOTHING, BACK * share[back], 0.0)
        placed[back] = before[back] + share[back, None] * (after[back] - before[back])
        changed = np.zeros(len(share), bool)
        changed[back] = True
        changed[folded] = True  # a face whose other corner moved is asked about again
        asked = faces[changed[faces].any(axis=1)]
    return placed


def _is_folded(vertices: FloatArray, faces: IndexArray, facing: FloatArray) -> np.ndarray:
    across = face_vectors(vertices, faces)
    wanted = facing[faces].sum(axis=1)
    size = np.linalg.norm(across, axis=1) * np.linalg.norm(wanted, axis=1)
    return np.asarray(np.einsum("ni,ni->n", across, wanted) < LEAST * size)
