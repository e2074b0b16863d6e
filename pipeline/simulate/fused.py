"""The triangle mesh that a scanner's own software would export instead of points."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.native import open3d
from pipeline.geometry.sampling import point_spacing
from pipeline.part import Capture


def fused(capture: Capture) -> Capture:
    """A mesh capture of a cloud with normals: screened Poisson (Kazhdan and Hoppe 2013), kept only where points are."""
    if capture.normals is None:
        raise ValueError("a cloud without normals cannot be fused")
    o3d = open3d()
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.array(capture.points)))
    cloud.normals = o3d.utility.Vector3dVector(np.array(capture.normals, dtype=float))
    tree = cKDTree(capture.points)
    spacing = point_spacing(capture.points, tree)
    mesh, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(cloud, width=1.5 * spacing, n_threads=1)
    vertices = np.asarray(mesh.vertices)
    faces = np.asarray(mesh.triangles)
    near = np.asarray(tree.query(vertices, workers=-1)[0]) < 1.6 * spacing
    used, corners = np.unique(faces[near[faces].all(axis=1)], return_inverse=True)
    source = np.asarray(tree.query(vertices[used], workers=-1)[1])
    return Capture(
        name=capture.name,
        points=vertices[used],
        normals=capture.normals[source],
        colours=None if capture.colours is None else capture.colours[source],
        faces=corners.reshape(-1, 3).astype(np.int32),
    )
