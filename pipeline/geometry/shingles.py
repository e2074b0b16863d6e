"""Captured points as they can be looked at where no surface was made of them: thinned, upright, as shingles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.facing import upright_axes
from pipeline.geometry.voxels import voxels
from pipeline.part import Capture, FloatArray, Mesh

CELLS = 15_000
NEIGHBOURS = 10
SIZE = 1.5
"""Radius of a shingle in cells, so that neighbours overlap."""


def standing(captures: Sequence[Capture]) -> tuple[FloatArray, NDArray[np.uint32], float]:
    """The points of captures, each upright in its own frame where it knows what it stood on.

    Returns
    -------
    (n, 3) places in millimetres, (n,) which capture each belongs to, one bit each (the last for all from the 32nd on),
    and the size of the cells they were thinned to.
    """
    largest = max(float(np.linalg.norm(np.ptp(capture.points, axis=0))) for capture in captures)
    cell = max(largest / np.sqrt(CELLS), 1e-9)
    places, sides = [], []
    for k, capture in enumerate(captures):
        thin = voxels(capture.points, cell).centre
        up = None if capture.support_plane is None else capture.support_plane[:3]
        places.append(thin @ upright_axes(up).T)
        sides.append(np.full(len(thin), 1 << min(k, 31), np.uint32))
    return np.concatenate(places), np.concatenate(sides), cell


def shingled(points: FloatArray, cell_mm: float) -> Mesh:
    """A triangle on each point, lying as its neighbours do and facing away from their middle.

    Parameters
    ----------
    points : (n, 3), millimetres, about one to a cell
    """
    _, index = cKDTree(points).query(points, k=min(NEIGHBOURS, len(points)))
    around = points[index.reshape(len(points), -1)]
    around = around - around.mean(axis=1, keepdims=True)
    _, axes = np.linalg.eigh(np.einsum("nki,nkj->nij", around, around))
    normal, along = axes[:, :, 0], axes[:, :, 2]
    outward = np.einsum("ni,ni->n", normal, points - np.median(points, axis=0))
    normal = np.where(outward[:, None] < 0, -normal, normal)
    across = np.cross(normal, along)
    turn = 2 * np.pi * np.arange(3) / 3
    corners = np.cos(turn)[None, :, None] * along[:, None] + np.sin(turn)[None, :, None] * across[:, None]
    vertices = (points[:, None] + SIZE * cell_mm * corners).reshape(-1, 3)
    return Mesh(vertices, np.arange(len(vertices), dtype=np.int32).reshape(-1, 3))
