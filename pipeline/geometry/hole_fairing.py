"""Bending a patch so that it carries on the surface around it.

Minimum of the linearised bending energy (Botsch & Kobbelt 2004): the bi-Laplacian of the positions vanishes
inside the patch, the rim and the ring of vertices around it stay where they are and give position and tangent.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.geometry.vectors import cross, length
from pipeline.part import BoolArray, FloatArray, IndexArray

WEIGHTS = (1e-3, 1e3)


def faired(vertices: FloatArray, faces: IndexArray, free: BoolArray, values: FloatArray) -> FloatArray:
    """Values (n, k) with those of free vertices replaced by the smoothest continuation with tangents.

    Parameters
    ----------
    vertices : (n, 3) positions that give the weights
    faces : (m, 3) the patch and at least the faces around its rim
    free : (n,) vertices inside the patch
    values : (n, k) what is continued: the positions themselves
    """
    from scipy.sparse import diags_array

    stiffness, mass = _laplacian(vertices, faces)
    bending = stiffness @ diags_array(1 / mass) @ stiffness
    return _solved(bending, free, values)


def stretched(vertices: FloatArray, faces: IndexArray, free: BoolArray, values: FloatArray) -> FloatArray:
    """As ``faired`` without tangents: a membrane over the rim. For colours and for holes across a corner."""
    stiffness, _ = _laplacian(vertices, faces)
    return _solved(stiffness, free, values)


def _solved(matrix: Any, free: BoolArray, values: FloatArray) -> FloatArray:
    """Values with the free rows solved so that matrix @ values vanishes there."""
    from scipy.sparse import csc_array
    from scipy.sparse.linalg import splu

    rows = csc_array(matrix)[np.flatnonzero(free)]
    right = -(rows[:, np.flatnonzero(~free)] @ values[~free])
    result = values.copy()
    result[free] = splu(csc_array(rows[:, np.flatnonzero(free)])).solve(right)
    return result


def _laplacian(vertices: FloatArray, faces: IndexArray) -> tuple[Any, FloatArray]:
    """Cotangent stiffness (n, n) and lumped area (n,) (Pinkall & Polthier 1993).

    Weights are kept within bounds above zero, so that badly shaped triangles cannot turn the patch inside out.
    """
    from scipy.sparse import csr_array, diags_array

    corners = vertices[faces]
    sides = corners[:, (2, 0, 1)] - corners[:, (1, 2, 0)]
    twice = length(cross(sides[:, 0], sides[:, 1]))
    twice = np.maximum(twice, 1e-9 * twice.max())
    cotangent = -np.einsum("nki,nki->nk", sides[:, (1, 2, 0)], sides[:, (2, 0, 1)]) / twice[:, None]
    one, other = faces[:, (1, 2, 0)].reshape(-1), faces[:, (2, 0, 1)].reshape(-1)
    count = len(vertices)
    weights = csr_array((cotangent.reshape(-1) / 2, (one, other)), shape=(count, count))
    weights = weights + weights.T
    weights.data = np.clip(weights.data, *WEIGHTS)
    mass = np.bincount(faces.reshape(-1), weights=np.repeat(twice / 6, 3), minlength=count)
    return diags_array(weights.sum(axis=1)) - weights, np.maximum(mass, mass[mass > 0].mean() * 1e-6)
