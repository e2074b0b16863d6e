"""A capture as evenly spread evidence, whether it came as a cloud or as a mesh.

The vertices of a mesh lie where the mesher put them: a decimated flat face has four. Whatever counts or compares
densities needs points spread by area instead, and the answer has to find its way back to the vertices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.part import BoolArray, Capture, FloatArray, IndexArray, NormalArray

FEWEST_SAMPLES = 60_000
MOST_SAMPLES = 5_000_000


@dataclass(frozen=True, eq=False)
class Samples:
    """Points spread over what the capture measured.

    Attributes
    ----------
    points : (k, 3) millimetres, capture frame; of a mesh its vertices come first
    normals : (k, 3) or None
    owner : (k,) the capture's point that each sample speaks for, or None when they are the same
    """

    points: FloatArray
    normals: NormalArray | None
    owner: IndexArray | None

    def kept_points(self, keep: BoolArray, count: int) -> BoolArray:
        """(count,) flags of the capture's points from the (k,) flags of the samples: the majority decides."""
        if self.owner is None:
            return keep
        votes = np.bincount(self.owner, weights=np.where(keep, 1.0, -1.0), minlength=count)
        return np.where(votes == 0, keep[:count], votes > 0)

    def spread(self, values: np.ndarray) -> np.ndarray:
        """(k, ...) values of the samples from those of the capture's points."""
        return values if self.owner is None else values[self.owner]


def samples_of(capture: Capture) -> Samples:
    """The points of a cloud; of a mesh its vertices and as many points on its large faces as make it even."""
    if capture.faces is None or not len(capture.faces):
        return Samples(capture.points, capture.normals, None)
    corners = capture.points[capture.faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1) / 2.0
    wanted = np.clip(len(capture.points), FEWEST_SAMPLES, MOST_SAMPLES)
    per_area = wanted / max(area.sum(), np.finfo(float).tiny)
    rng = np.random.default_rng(0)
    # A vertex stands for its share of the faces around it; what a large face has beyond that is filled up.
    number = np.maximum(area * per_area - 0.5, 0.0)
    number = np.floor(number + rng.random(len(number))).astype(np.int64)
    face = np.repeat(np.arange(len(area)), number)
    weights = rng.random((len(face), 2))
    weights[weights.sum(axis=1) > 1.0] = 1.0 - weights[weights.sum(axis=1) > 1.0]
    weights = np.column_stack([1.0 - weights.sum(axis=1), weights])
    inside = np.einsum("nk,nki->ni", weights, corners[face])
    nearest = capture.faces[face, np.argmax(weights, axis=1)]
    own = np.arange(len(capture.points), dtype=np.int32)
    normals = None
    if capture.normals is not None:
        flat = cross / np.maximum(2.0 * area, np.finfo(float).tiny)[:, None]
        normals = np.concatenate([capture.normals, flat[face].astype(np.float32)])
    return Samples(np.concatenate([capture.points, inside]), normals, np.concatenate([own, nearest]))
