"""The sizes that are recorded around every stage."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.measure import area, extents, volume
from pipeline.part import IndexArray, Mesh


def sizes(mesh: Mesh) -> dict[str, float]:
    """Faces (count), area (mm2), extents (mm) and, where the surface is closed, volume (mm3) of a mesh.

    Returns
    -------
    Keyed ``faces_count``, ``area_mm2``, ``volume_mm3``, ``extent_x_mm``, ``extent_y_mm``, ``extent_z_mm``.
    """
    found = {"faces_count": float(len(mesh.faces))}
    if len(mesh.faces) == 0:
        return found
    found["area_mm2"] = area(mesh.vertices, mesh.faces)
    if is_closed(mesh.faces):
        found["volume_mm3"] = volume(mesh.vertices, mesh.faces)
    for axis, size in zip("xyz", extents(mesh.vertices), strict=True):
        found[f"extent_{axis}_mm"] = float(size)
    return found


def is_closed(faces: IndexArray) -> bool:
    """Whether every edge has exactly two faces; one sort, for the account of every stage."""
    tail, head = faces.reshape(-1).astype(np.int64), faces[:, (1, 2, 0)].reshape(-1).astype(np.int64)
    low, high = np.minimum(tail, head), np.maximum(tail, head)
    keys = np.sort(low * (int(high.max(initial=0)) + 1) + high)
    paired = len(keys) % 2 == 0 and np.array_equal(keys[::2], keys[1::2])
    return bool(paired and (keys[2::2] != keys[:-2:2]).all())
