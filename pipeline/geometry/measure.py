"""Area, volume, centroid and inertia of triangle meshes."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.vectors import cross, inner, length
from pipeline.part import FloatArray, IndexArray

LEVEL_FACE = 0.985
"""Cosine of the angle (10 degrees) within which a face looks along an axis."""
FLAT_END = (0.005, 0.02)
"""Share of the surface from which on a level face counts as the end, and from which on it alone does."""
RAISED = 2.0
"""How far noise raises single places of a level face, in its standard deviations."""
BISECTIONS = 50
"""Halvings of a size in mm, after which it is as exact as it can be."""


def face_vectors(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """(m, 3) cross products of two sides: normal to each face, as long as twice its area (mm2)."""
    a, b, c = (np.take(vertices, faces[:, k], axis=0) for k in range(3))
    return cross(b - a, c - a)


def vertex_vectors(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """(n, 3) sums of the vectors of the faces at each vertex: its normal, weighted by area; zero where no face is."""
    vectors = face_vectors(vertices, faces)
    corners = faces.T.ravel()
    sums = [np.bincount(corners, np.tile(vectors[:, axis], 3), len(vertices)) for axis in range(3)]
    return np.stack(sums, axis=1)


def edge_lengths(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """(m, 3) lengths of each face's sides, mm."""
    corners = np.take(vertices, faces, axis=0)
    return length(corners - corners[:, (1, 2, 0)])


def mean_cell(vertices: FloatArray, faces: IndexArray) -> float:
    """Side of the equilateral triangle as large as the mean face, mm: the size of the cells a mesh was made of."""
    return float(np.sqrt(face_areas(vertices, faces).mean() * 4 / np.sqrt(3)))


def face_areas(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """(m,) areas, mm2."""
    areas: FloatArray = length(face_vectors(vertices, faces)) / 2
    return areas


def area(vertices: FloatArray, faces: IndexArray) -> float:
    """Area of the surface, mm2."""
    return float(face_areas(vertices, faces).sum())


def face_volumes(vertices: FloatArray, faces: IndexArray, origin: FloatArray) -> FloatArray:
    """(m,) signed volumes of the tetrahedra from ``origin`` to each face, mm3."""
    a, b, c = (np.take(vertices, faces[:, k], axis=0) - origin for k in range(3))
    volumes: FloatArray = inner(a, cross(b, c)) / 6
    return volumes


def volume(vertices: FloatArray, faces: IndexArray) -> float:
    """Signed volume by the divergence theorem, mm3; positive when the faces point outwards.

    On an open surface it depends on the origin, which is the middle of the vertices' box: then only its
    sign means something, and only for nearly closed surfaces.
    """
    if len(faces) == 0:
        return 0.0
    return float(face_volumes(vertices, faces, _middle(vertices, faces)).sum())


def extents(points: FloatArray) -> FloatArray:
    """(3,) size along x, y and z, mm."""
    return np.ptp(points, axis=0) if len(points) else np.zeros(3)


def caliper_extents(
    vertices: FloatArray, faces: IndexArray, noise_mm: float = 0.0, left_out: float = 1e-4
) -> FloatArray:
    """(3,) size along x, y and z as jaws would feel it, mm: single vertices that stick out do not count.

    At each end a ten-thousandth of the surface is left out, which on a sphere is as much of its diameter. Where it
    ends in a level face, it goes to the mean of that face and not to what noise has raised of it, as the least-squares
    size of ISO 14405-1 does (from memory).

    Parameters
    ----------
    noise_mm : standard deviation of the points that the surface was made of
    """
    vectors = face_vectors(vertices, faces)
    areas = length(vectors) / 2
    out, found = left_out * float(areas.sum()), np.zeros(3)
    for axis in range(3):
        heights = np.take(vertices[:, axis], faces)
        level = vectors[:, axis] / 2 / np.maximum(areas, np.finfo(float).tiny)
        for sign in (-1.0, 1.0):
            found[axis] -= _end(np.sort(sign * heights, axis=1), -sign * level, areas, out, RAISED * noise_mm)
    return found


def _end(corners: FloatArray, facing: FloatArray, areas: FloatArray, out: float, band: float) -> float:
    """Where a surface begins along an axis, mm.

    Parameters
    ----------
    corners : (m, 3) heights of each face's corners, rising
    facing : (m,) cosine between each face and the way out
    out : area to leave out, mm2
    band : how far behind the foremost place a level face may lie on the whole, mm
    """
    low, mid, high = corners.T
    foremost = _reached(low, mid, high, areas, out)
    face = (facing > LEVEL_FACE) & (corners.mean(axis=1) < foremost + band)
    area = float(areas[face].sum())
    least, most = (share * float(areas.sum()) for share in FLAT_END)
    if area <= least:
        return foremost
    middle = float(areas[face] @ corners[face].mean(axis=1)) / area
    return foremost + min(1.0, (area - least) / (most - least)) * max(0.0, middle - foremost)


def _reached(low: FloatArray, mid: FloatArray, high: FloatArray, areas: FloatArray, wanted: float) -> float:
    """How far along an axis (mm) ``wanted`` mm2 of a surface are reached, whatever triangles it is made of.

    Bisection over what lies before a plane across the axis: of a triangle with the corners at ``low``, ``mid`` and
    ``high`` (each (m,)) a share that grows with the square of the way into it, until the plane is past its middle.
    """
    order = np.argsort(high)
    last = min(int(np.searchsorted(np.cumsum(areas[order]), wanted)), len(order) - 1)
    passed = high[order[last]]
    near = low < passed
    a, b, c, area_of = low[near], mid[near], high[near], areas[near]
    first, second = (b - a) * (c - a), (c - b) * (c - a)
    first, second = np.where(first > 0, first, 1.0), np.where(second > 0, second, 1.0)  # where nothing lies between
    start, end = float(low.min()), float(passed)
    for _ in range(BISECTIONS):
        at = (start + end) / 2
        share = np.where(at < b, (at - a) ** 2 / first, 1 - (c - at) ** 2 / second)
        before = float(area_of @ np.where(at <= a, 0.0, np.where(at >= c, 1.0, share)))
        start, end = (at, end) if before < wanted else (start, at)
    return end


def centroid(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """(3,) centre of the enclosed volume, mm; of a closed surface."""
    origin = _middle(vertices, faces)
    weight = face_volumes(vertices, faces, origin)
    moment = weight @ (vertices[faces] - origin).sum(axis=1) / 4
    centre: FloatArray = origin + moment / weight.sum()
    return centre


def inertia(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """(3, 3) inertia about the centroid for density 1 (mm5) of the volume that a closed surface encloses.

    Sum over tetrahedra of their second moments: the integral of x x^T over a tetrahedron with one corner at
    the origin is V/20 (sum of a a^T over the corners + s s^T), s the sum of the corners.
    """
    centre = centroid(vertices, faces)
    corners = vertices[faces] - centre
    weight = face_volumes(vertices, faces, centre)
    total = corners.sum(axis=1)
    second = np.einsum("n,nki,nkj->ij", weight, corners, corners) + np.einsum("n,ni,nj->ij", weight, total, total)
    second /= 20
    tensor: FloatArray = np.trace(second) * np.eye(3) - second
    return tensor


def corner_angles(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    """(m, 3) angles at the corners of each face, radians."""
    sides = vertices[faces[:, (1, 2, 0)]] - vertices[faces]
    back = -sides[:, (2, 0, 1)]
    across = length(cross(sides, back))
    angles: FloatArray = np.arctan2(across, np.einsum("nki,nki->nk", sides, back))
    return angles


def _middle(vertices: FloatArray, faces: IndexArray) -> FloatArray:
    is_used = np.zeros(len(vertices), bool)
    is_used[faces] = True
    used = vertices[is_used]
    middle: FloatArray = (used.min(axis=0) + used.max(axis=0)) / 2
    return middle
