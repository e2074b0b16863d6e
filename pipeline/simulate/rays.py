"""Ray casting and distances on triangles, in numpy arrays."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.native import open3d
from pipeline.part import FloatArray, Mesh


class RayCaster:
    """Answers where rays hit a set of triangles."""

    def __init__(self, vertices: FloatArray, faces: np.ndarray) -> None:
        self._o3d = open3d()
        self._scene = self._o3d.t.geometry.RaycastingScene()
        self._scene.add_triangles(self._tensor(vertices, np.float32), self._tensor(faces, np.uint32))

    def cast(self, origins: FloatArray, directions: FloatArray) -> tuple[FloatArray, np.ndarray, FloatArray]:
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

    def blocked(self, origins: FloatArray, targets: FloatArray, slack: float = 0.1) -> np.ndarray:
        """(n,) whether something lies between origin and target, ``slack`` mm before the target."""
        way = targets - origins
        length = np.linalg.norm(way, axis=1)
        rays = np.hstack([origins, way / length[:, None]])
        return self._scene.cast_rays(self._tensor(rays, np.float32))["t_hit"].numpy() < length - slack

    def distance(self, points: FloatArray) -> FloatArray:
        """(n,) unsigned distances to the nearest triangle."""
        return self._scene.compute_distance(self._tensor(points, np.float32)).numpy().astype(float)

    def signed_distance(self, points: FloatArray) -> FloatArray:
        """(n,) distances, negative inside; the triangles must be closed."""
        return self._scene.compute_signed_distance(self._tensor(points, np.float32)).numpy().astype(float)

    def nearest_face(self, points: FloatArray) -> np.ndarray:
        """(n,) numbers of the nearest triangles."""
        found = self._scene.compute_closest_points(self._tensor(points, np.float32))
        return found["primitive_ids"].numpy().astype(np.int64)

    def _tensor(self, values: np.ndarray, dtype: type) -> object:
        return self._o3d.core.Tensor(np.array(values, dtype=dtype))


def truth_distance(points: FloatArray, truth: Mesh) -> FloatArray:
    """Signed distance (n,) of points to a closed truth mesh, millimetres, negative inside.

    Computed in single precision: good to about 0.0001 mm for parts of 300 mm.
    """
    return RayCaster(truth.vertices, truth.faces).signed_distance(points)
