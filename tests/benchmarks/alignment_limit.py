"""How well two captures can be aligned at all by what they have in common, whoever aligns them.

Both are fitted onto the true surface, which no alignment knows, with just the points that the other one shows as well.
What is left of the error is that of the measured points: no alignment that sees only the captures does much better.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.alignment.rigid import nearest_rigid, twisted_about
from pipeline.geometry.cloud import unit
from pipeline.geometry.measure import face_vectors
from pipeline.geometry.weights import tukey
from pipeline.part import Capture, Mesh, transformed
from pipeline.simulate.rays import RayCaster

SHARED_SPACINGS = 2.0
"""A point is shared that has one of the other capture as near as this, facing the same way."""
REACH_NOISES = 4.0
ROUNDS = 6


def best_poses(truth: Mesh, captures: list[Capture], places: np.ndarray, noise_mm: float) -> np.ndarray:
    """(2, 4, 4) poses of two captures in the part's frame, each from its shared points and the true surface.

    Parameters
    ----------
    places : (2, 4, 4) true poses to start from
    """
    return np.array(
        [
            fitted(truth, points, noise_mm) @ place
            for points, place in zip(shared_points(captures, places), places, strict=True)
        ]
    )


def shared_points(captures: list[Capture], places: np.ndarray) -> list[np.ndarray]:
    """Of each of two captures, in the part's frame, (n, 3) points that the other one shows."""
    points = [transformed(one.points, place) for one, place in zip(captures, places, strict=True)]
    facing = [one.normals @ place[:3, :3].T for one, place in zip(captures, places, strict=True)]
    trees = [cKDTree(one) for one in points]
    reach = SHARED_SPACINGS * max(float(np.median(tree.query(tree.data, k=2)[0][:, 1])) for tree in trees)
    found = []
    for one, other in ((0, 1), (1, 0)):
        distance, nearest = trees[other].query(points[one], distance_upper_bound=reach)
        near = np.flatnonzero(np.isfinite(distance))
        agree = np.einsum("ni,ni->n", facing[one][near], facing[other][nearest[near]])
        found.append(points[one][near[agree > 0.5]])
    return found


def fitted(truth: Mesh, points: np.ndarray, noise_mm: float) -> np.ndarray:
    """(4, 4) small motion that lays points (n, 3) onto a surface: Gauss-Newton, point to plane, Tukey's biweight."""
    caster, centre, motion = RayCaster(truth.vertices, truth.faces), points.mean(axis=0), np.eye(4)
    normals = unit(face_vectors(truth.vertices, truth.faces))
    for _ in range(ROUNDS):
        at = transformed(points, motion)
        face = caster.nearest_face(at)
        normal = normals[face]
        height = np.einsum("ni,ni->n", at - truth.vertices[truth.faces[face, 0]], normal)
        rows = np.hstack([np.cross(at - centre, normal), normal])
        weight = tukey(height, REACH_NOISES * noise_mm)[:, None]
        step = -np.linalg.lstsq((rows * weight).T @ rows, (rows * weight).T @ height, rcond=1e-12)[0]
        motion = nearest_rigid(twisted_about(step, centre) @ motion)
    return motion
