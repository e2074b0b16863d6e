"""On which of its faces a part stands: the flat ones that carry it, and how large each is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from pipeline.geometry.cloud import unit
from pipeline.geometry.measure import face_vectors
from pipeline.part import BoolArray, FloatArray, Mesh

SAME_DIRECTION_DEG = 4.0
"""Facets of the hull closer than this in direction lie over one face of the part."""
FACING_DEG = 12.0
"""A face of the mesh belongs to a plane when it looks its way to within this; noise tilts small triangles."""
CANDIDATES = 24
ROUNDS = 8
NOISES = 3.0
GROWN, FLAT = 4.0, 1.3
"""A plane has at most FLAT times its area within a band GROWN times wider."""
HARDLY = 1.2
"""Two scans of one face differ by up to this factor there, unless it is clearly flat or clearly round."""
COARSEST, FINEST = 0.01, 0.001
"""The first and the last band about the plane, as shares of the part's size; never below three times the noise."""


@dataclass(frozen=True, eq=False, slots=True)
class Base:
    """A flat face that the part can stand on.

    Attributes
    ----------
    normal : (3,) unit vector out of the part
    height : of the plane along ``normal``, millimetres
    area_mm2 : measured flat area that lies in the plane
    flatness_mm : standard deviation of that area about the plane
    bulge : area within a wider band about the plane over ``area_mm2``; 1 for a flat face
    """

    normal: FloatArray
    height: float
    area_mm2: float
    flatness_mm: float
    bulge: float = 1.0

    def flat(self, allowance: float = 1.0) -> bool:
        """Whether it passes for flat, where the bulge that may have is ``allowance`` times the usual."""
        return self.bulge <= FLAT * allowance


def bases(mesh: Mesh, centre: FloatArray, noise_mm: float) -> list[Base]:
    """Faces that a part can stand on, largest first, with those that another scan may take for flat.

    Each is a plane by least squares through the measured faces that lie in a facet of the convex hull, with the
    centroid above the area it stands on. Filled faces do not count: nobody knows whether they are flat.

    Parameters
    ----------
    centre : (3,) centroid, millimetres
    noise_mm : standard deviation of the measured points
    """
    vectors = face_vectors(mesh.vertices, mesh.faces)
    area = np.linalg.norm(vectors, axis=1) / 2
    faces = _Faces(mesh.vertices[mesh.faces].mean(axis=1), unit(vectors), np.where(mesh.filled, 0.0, area))
    size = float(np.ptp(mesh.vertices, axis=0).max())
    found: list[Base] = []
    for normal in _hull_directions(mesh.vertices):
        base = _settled(mesh.vertices, faces, normal, centre, noise_mm, size)
        if base is not None and all(base.normal @ other.normal < np.cos(np.radians(1.0)) for other in found):
            found.append(base)
    return sorted(found, key=lambda base: -base.area_mm2)


@dataclass(frozen=True, eq=False, slots=True)
class _Faces:
    middle: FloatArray
    normal: FloatArray
    weight: FloatArray


def _hull_directions(vertices: FloatArray) -> list[FloatArray]:
    """Directions of the hull's large facets; those over one face of the part are one."""
    try:
        hull = ConvexHull(vertices)
    except (QhullError, ValueError):
        return []
    corners = vertices[hull.simplices]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    normals, left = hull.equations[:, :3], area.copy()
    found: list[tuple[float, FloatArray]] = []
    while len(found) < 4 * CANDIDATES and left.max() > 0:
        near = (normals @ normals[np.argmax(left)] > np.cos(np.radians(SAME_DIRECTION_DEG))) & (left > 0)
        mean = area[near] @ normals[near]
        found.append((float(area[near].sum()), mean / np.linalg.norm(mean)))
        left[near] = 0.0
    found.sort(key=lambda one: -one[0])
    return [normal for _, normal in found[:CANDIDATES]]


def _settled(
    vertices: FloatArray, faces: _Faces, normal: FloatArray, centre: FloatArray, noise: float, size: float
) -> Base | None:
    """The plane through the measured faces near a facet, within a band that narrows to what is flat."""
    height = float((vertices @ normal).max())
    inside = np.zeros(len(faces.weight), bool)
    for k in range(ROUNDS):
        band = max(NOISES * noise, size * max(FINEST, COARSEST / 2**k))
        inside = (faces.weight > 0) & (faces.normal @ normal > np.cos(np.radians(FACING_DEG)))
        inside &= np.abs(faces.middle @ normal - height) < band
        if inside.sum() < 3:
            return None
        fitted, height, flatness = _plane(faces, inside)
        normal = fitted if fitted @ normal > 0 else -fitted
        height *= 1.0 if fitted @ normal > 0 else -1.0
    facing = (faces.weight > 0) & (faces.normal @ normal > np.cos(np.radians(FACING_DEG)))
    wider = facing & (np.abs(faces.middle @ normal - height) < GROWN * band)
    area = float(faces.weight[inside].sum())
    base = Base(normal, height, area, flatness, float(faces.weight[wider].sum()) / area)
    if not base.flat(HARDLY):
        return None  # it is round: the cap of a sphere grows with its depth
    top = float((vertices @ normal).max())
    if top - height > COARSEST * size + band:
        return None  # something sticks out below: the part cannot stand on it
    if not _carries(faces.middle[inside], normal, centre):
        return None
    return base


def _plane(faces: _Faces, inside: BoolArray) -> tuple[FloatArray, float, float]:
    weight, middle = faces.weight[inside], faces.middle[inside]
    mean = weight @ middle / weight.sum()
    centred = middle - mean
    values, vectors = np.linalg.eigh((centred * weight[:, None]).T @ centred / weight.sum())
    normal: FloatArray = vectors[:, 0]
    return normal, float(mean @ normal), float(np.sqrt(max(values[0], 0.0)))


def _carries(contact: FloatArray, normal: FloatArray, centre: FloatArray) -> bool:
    """Whether the centroid stands above the outline of the contact."""
    across = np.linalg.svd(normal[None])[2][1:]
    try:
        outline = ConvexHull(contact @ across.T)
    except (QhullError, ValueError):
        return False
    return bool((outline.equations[:, :2] @ (across @ centre) + outline.equations[:, 2] < 0).all())
