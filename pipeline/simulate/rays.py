"""Ray casting and distances on triangles, in numpy arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.native import open3d, ray_scene
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh


class RayCaster:
    """Answers where rays hit a set of triangles."""

    def __init__(self, vertices: FloatArray, faces: IndexArray) -> None:
        self._o3d = open3d()
        self._scene = ray_scene(vertices, faces)

    def cast(self, origins: FloatArray, directions: FloatArray) -> tuple[FloatArray, NDArray[np.int64], FloatArray]:
        """First hits of (n, 3) origins along unit directions.

        Returns
        -------
        distance : (n,) millimetres, inf where nothing is hit
        face : (n,) numbers of the triangles hit; meaningless where nothing is
        normal : (n, 3) unit normals of those triangles, by their winding
        """
        hits = self._scene.cast_rays(self._tensor(np.hstack([origins, directions]), np.float32))
        distance = hits["t_hit"].numpy().astype(float)
        return distance, hits["primitive_ids"].numpy().astype(np.int64), hits["primitive_normals"].numpy().astype(float)

    def blocked(self, origins: FloatArray, targets: FloatArray, slack: float = 0.1) -> BoolArray:
        """(n,) whether something lies between origin and target, ``slack`` mm before the target."""
        way = targets - origins
        length = np.linalg.norm(way, axis=1)
        rays = np.hstack([origins, way / length[:, None]])
        hit: FloatArray = self._scene.cast_rays(self._tensor(rays, np.float32))["t_hit"].numpy()
        before: BoolArray = hit < length - slack
        return before

    def distance(self, points: FloatArray) -> FloatArray:
        """(n,) unsigned distances to the nearest triangle."""
        found: NDArray[np.float32] = self._scene.compute_distance(self._tensor(points, np.float32)).numpy()
        return found.astype(float)

    def signed_distance(self, points: FloatArray) -> FloatArray:
        """(n,) distances, negative inside; the triangles must be closed."""
        found: NDArray[np.float32] = self._scene.compute_signed_distance(self._tensor(points, np.float32)).numpy()
        return found.astype(float)

    def nearest_face(self, points: FloatArray) -> NDArray[np.int64]:
        """(n,) numbers of the nearest triangles."""
        nearest = self._scene.compute_closest_points(self._tensor(points, np.float32))
        found: NDArray[np.uint32] = nearest["primitive_ids"].numpy()
        return found.astype(np.int64)

    def _tensor(self, values: NDArray[Any], dtype: type) -> object:
        return self._o3d.core.Tensor(np.array(values, dtype=dtype))


def truth_distance(points: FloatArray, truth: Mesh) -> FloatArray:
    """Signed distance (n,) of points to a closed truth mesh, millimetres, negative inside.

    In single precision: usually right to 0.0001 mm, always to 0.005 mm when no edge is longer than 6 mm.
    """
    return RayCaster(truth.vertices, truth.faces).signed_distance(points)
