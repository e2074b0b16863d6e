"""From which of six directions a surface is measured, filled, or not there at all."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.measure import face_vectors
from pipeline.part import BoolArray, FloatArray, IndexArray

DIRECTIONS: dict[str, tuple[float, float, float]] = {
    "front": (0.0, -1.0, 0.0),
    "right": (1.0, 0.0, 0.0),
    "back": (0.0, 1.0, 0.0),
    "left": (-1.0, 0.0, 0.0),
    "top": (0.0, 0.0, 1.0),
    "underside": (0.0, 0.0, -1.0),
}
"""Looking along +y one sees the front; x runs to the right, z up."""


def direction_coverage(
    vertices: FloatArray, faces: IndexArray, sample_face: IndexArray, measured: BoolArray
) -> dict[str, float]:
    """Measured share, in percent, of the surface that should face each direction.

    What should be there is known because on a closed surface the areas projected along a direction and against it
    are equal: an open surface shows less on one side, and the difference was never captured.

    Parameters
    ----------
    vertices : (n, 3), millimetres
    faces : (m, 3), counter-clockwise seen from outside
    sample_face : (s,) the face of each of s samples spread evenly over the area
    measured : (s,) whether a capture measured the surface there
    """
    vectors = face_vectors(vertices, faces) / 2
    area = np.linalg.norm(vectors, axis=1)
    normals = vectors / np.maximum(area, np.finfo(float).tiny)[:, None]
    share: dict[str, float] = {}
    for name, direction in DIRECTIONS.items():
        facing = vectors @ direction
        whole = max(facing[facing > 0].sum(), -facing[facing < 0].sum())
        weight = np.maximum(normals[sample_face] @ direction, 0)
        seen = float(weight[measured].sum() / max(len(sample_face), 1) * area.sum())
        share[name] = float(np.clip(100 * seen / whole, 0, 100)) if whole > 0 else 0.0
    return share
