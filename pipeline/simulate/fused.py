"""The triangle mesh that a scanner's own software would export instead of points."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.native import open3d
from pipeline.geometry.sampling import point_spacing
from pipeline.part import Capture


def fused(capture: Capture) -> tuple[Capture, np.ndarray]:
    """A mesh capture of a cloud: screened Poisson (Kazhdan and Hoppe 2013), cut back to where points are.

    Returns
    -------
    capture : with faces, normals and colours, in the cloud's frame
    source : (n,) number of the point nearest to each vertex
    """
    o3d = open3d()
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.array(capture.points)))
    cloud.normals = o3d.utility.Vector3dVector(np.array(capture.normals, dtype=float))
    tree = cKDTree(capture.points)
    spacing = point_spacing(capture.points, tree)
    mesh, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(cloud, width=1.5 * spacing, n_threads=1)
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.triangles)
    gap, source = tree.query(vertices, workers=-1)
    faces = faces[(gap < 3 * spacing)[faces].all(axis=1)]
    used, faces = np.unique(faces, return_inverse=True)
    source = source[used]
    fields = {"points": vertices[used], "faces": faces.reshape(-1, 3), "normals": capture.normals[source]}
    return Capture(name=capture.name, colours=capture.colours[source], **fields), source
