"""The plain script that one would write with a library's tutorials: what all is measured beside."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.geometry.native import open3d


def plain_surface(cloud: Any, *, orient: bool = False) -> Any:
    """The library's surface through its point cloud, tutorial parameters: normals, Poisson depth 9, density trim 1 %.

    ``orient`` : also turn the normals alike, where the cloud brings none.
    """
    o3d = open3d()
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(30))
    if orient:
        cloud.orient_normals_consistent_tangent_plane(15)
    mesh, density = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(cloud, depth=9)
    mesh.remove_vertices_by_mask(np.asarray(density) < np.quantile(density, 0.01))
    return mesh
