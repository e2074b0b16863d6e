"""How a part lies: resting poses and rigid motions."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.part import FloatArray, Mesh
from pipeline.simulate.solids import mesh_of, solid_of, turn_to

SIDES: dict[str, tuple[float, float, float]] = {
    "top": (0, 0, 1),
    "bottom": (0, 0, -1),
    "left": (0, 1, 0),
    "right": (0, -1, 0),
    "front": (1, 0, 0),
    "back": (-1, 0, 0),
}
"""Which direction of the part's own frame looks up."""


def rigid(rotation: FloatArray, translation: ArrayLike = (0, 0, 0)) -> FloatArray:
    """A 4x4 transform."""
    transform = np.eye(4)
    transform[:3, :3], transform[:3, 3] = rotation, translation
    return transform


def inverse(transform: FloatArray) -> FloatArray:
    """The inverse of a rigid 4x4 transform."""
    back: FloatArray = transform[:3, :3].T
    return rigid(back, -back @ transform[:3, 3])


def random_rigid(rng: np.random.Generator, reach_mm: float) -> FloatArray:
    """Any rotation (uniform: Shoemake 1992) and a translation of at most ``reach_mm`` along each axis."""
    w, x, y, z = (q := rng.normal(size=4)) / np.linalg.norm(q)
    rotation = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
    return rigid(rotation, rng.uniform(-reach_mm, reach_mm, 3))


def turn_up(up: ArrayLike, spin_deg: float = 0.0) -> FloatArray:
    """A rotation (3, 3) that makes ``up`` the vertical, then spins about it."""
    angle = np.deg2rad(spin_deg)
    spin = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    return spin @ turn_to(up).T


def settled(part: Mesh, up: ArrayLike, most_deg: float = 50.0) -> FloatArray:
    """The upward direction (3,) of the stable resting pose nearest to ``up``; ``up`` itself when none is near.

    A part is at rest on a facet of its convex hull when the centre of mass stands above that facet, and stably so
    when tilting it lifts the centre of mass (a rounded end is at rest, and falls over).
    """
    wanted: FloatArray = np.asarray(up, float) / np.linalg.norm(up)
    hull = mesh_of(solid_of(part).hull().simplify(0.02))
    corners = hull.vertices[hull.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    centre = centre_of_mass(part)
    level = np.einsum("ij,ij->i", normal, corners[:, 0] - centre)
    for face in np.argsort(normal @ wanted):
        if normal[face] @ wanted > -np.cos(np.deg2rad(most_deg)):
            break
        same = (normal @ normal[face] > 0.9998) & (np.abs(level - level[face]) < 0.2)
        supported: FloatArray = -normal[face]
        above = _holds(centre + normal[face] * level[face], corners[same], normal[face])
        if above and _stays(hull.vertices - centre, supported):
            return supported
    return wanted


def _holds(foot: FloatArray, triangles: FloatArray, normal: FloatArray) -> bool:
    """Whether a point lies on one of the triangles of a flat facet."""
    turns = np.cross(np.roll(triangles, -1, axis=1) - triangles, foot - triangles) @ normal
    return bool((turns > -1e-9).all(axis=1).any())


def _stays(from_centre: FloatArray, up: FloatArray) -> bool:
    """Whether tilting by five degrees, whichever way, leaves the centre of mass no lower above the ground."""
    across = turn_to(up)
    around = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    tilted = np.cos(np.deg2rad(5)) * up[:, None] + np.sin(np.deg2rad(5)) * (
        across[:, :1] * np.cos(around) + across[:, 1:2] * np.sin(around)
    )
    height = -(from_centre @ up).min()
    return bool((-(from_centre @ tilted).min(axis=0) > height - 0.05).all())


def centre_of_mass(part: Mesh) -> FloatArray:
    """(3,) centre of the volume a closed mesh encloses."""
    a, b, c = (part.vertices[part.faces[:, k]] for k in range(3))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c))
    moment: FloatArray = (volume[:, None] * (a + b + c)).sum(axis=0)
    return moment / float(4 * volume.sum())
