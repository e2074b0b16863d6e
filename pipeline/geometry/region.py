"""A region of measured surface that one plane, ball or cylinder fits, grown from a place on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.cloud import unit
from pipeline.geometry.deviation import Surface
from pipeline.geometry.edges import connected, edges_of
from pipeline.geometry.fits import Fit, Kind, axis_from_normals, fitted
from pipeline.geometry.measure import edge_lengths, face_vectors
from pipeline.part import BoolArray, FloatArray, Mesh

START_FACES = 30
NOISES = 4.0
ALIKE_DEG = 25.0
"""Faces whose normal is farther than this from the shape's do not belong to it."""
GROWTH = 1.4
ROUNDS = 60
EDGE_SHARE = 0.1
"""Vertices may lie this share of an edge's length off, or the noise allows more: curved faces are chords."""

RIM_RINGS, LEAST_INNER = 2, 0.4
"""So many rings of faces at the rim are left out of the last fit, as long as this share of the area remains."""


@dataclass(frozen=True, eq=False, slots=True)
class Region:
    """Faces of a mesh that make one shape.

    Attributes
    ----------
    faces : (m,) bool
    inner : (m,) bool, those that are not at its rim
    away : distance of the nearest measured face from the place where it should be, mm
    fit : the shape through the vertices of ``inner``, each by the area it stands for
    """

    faces: BoolArray
    inner: BoolArray
    away: float
    fit: Fit


def grown(
    mesh: Mesh, seed: FloatArray, kind: Kind, allowed: BoolArray, noise_mm: float, left_out: float = 0.0
) -> Region | None:
    """Grow a region from the face nearest to a place.

    The shape is fitted to a small patch about the seed; then, again and again, the region becomes all connected faces
    about half as far again from the seed that lie on the shape and face its way, and the shape is fitted anew, until
    nothing changes (region growing: Besl and Jain, "Segmentation through variable-order surface fitting", 1988).

    Parameters
    ----------
    seed : (3,), millimetres
    allowed : (m,) faces that may belong: measured ones, within what was asked for
    noise_mm : standard deviation of the surface about its true shape
    left_out : share of the vertices that the last fit may leave out

    Returns
    -------
    None when nothing there makes such a shape.
    """
    patches = _Patches(mesh, allowed)
    if not allowed.any():
        return None
    away = np.where(allowed, np.linalg.norm(patches.middle - seed, axis=1), np.inf)
    start = int(np.argmin(away))
    reach = float(np.partition(away, min(START_FACES, len(away) - 1))[min(START_FACES, len(away) - 1)])
    reach = min(reach, float(away[np.isfinite(away)].max()))
    inside = patches.connected(away <= reach, start)
    for _ in range(ROUNDS):
        fit = patches.fitted(kind, inside)
        if fit is None:  # a strip of triangles is not yet a shape
            reach *= GROWTH
            inside = patches.connected(away <= reach, start)
            continue
        reach = max(GROWTH * reach, float(away[inside].max()))
        after = patches.connected(patches.on(fit, noise_mm) & (away <= GROWTH * reach), start)
        if not after.any():
            return None
        if np.array_equal(after, inside):
            break
        inside = after
    inner = patches.without_rim(inside)
    fit = patches.fitted(kind, inner, left_out)
    return None if fit is None else Region(inside, inner, float(away[start]), fit)


def points_of(mesh: Mesh, region: Region, points: FloatArray, reach_mm: float) -> FloatArray:
    """(k, 3) those of points (n, 3) whose nearest face is of a region's inner ones, no farther than ``reach_mm``."""
    return np.asarray(points[points_on(mesh, region.inner, points, reach_mm)], np.float64)


def points_on(mesh: Mesh, faces: BoolArray, points: FloatArray, reach_mm: float) -> BoolArray:
    """(n,) whether the face nearest to each point is one of those chosen, and no farther than ``reach_mm``."""
    on = np.zeros(len(points), bool)
    if not faces.any():
        return on
    corners = mesh.vertices[mesh.faces[faces]].reshape(-1, 3)
    low, high = corners.min(axis=0) - reach_mm, corners.max(axis=0) + reach_mm
    near = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
    if len(near):
        surface = Surface(mesh.vertices, mesh.faces)
        face, weights = surface.nearest(points[near])
        on[near] = faces[face] & (np.linalg.norm(points[near] - surface.places(face, weights), axis=1) <= reach_mm)
    return on


class _Patches:
    """The mesh as growing needs it."""

    def __init__(self, mesh: Mesh, allowed: BoolArray) -> None:
        vectors = face_vectors(mesh.vertices, mesh.faces)
        self.mesh, self.allowed = mesh, allowed
        self.area = np.linalg.norm(vectors, axis=1) / 2
        self.normal = unit(vectors)
        self.middle = mesh.vertices[mesh.faces].mean(axis=1)
        self.edge = float(np.median(edge_lengths(mesh.vertices, mesh.faces[allowed]))) if allowed.any() else 0.0
        self.pairs = edges_of(mesh.faces).pairs // 3

    def fitted(self, kind: Kind, inside: BoolArray, left_out: float = 0.0) -> Fit | None:
        corners = self.mesh.faces[inside]
        weight = np.bincount(corners.reshape(-1), np.repeat(self.area[inside] / 3, 3), len(self.mesh.vertices)).astype(
            np.float64
        )
        used = np.flatnonzero(weight > 0)
        axis = axis_from_normals(self.normal[inside], self.area[inside]) if kind == "cylinder" else None
        return fitted(kind, self.mesh.vertices[used], weight[used], axis=axis, left_out=left_out)

    def on(self, fit: Fit, noise: float) -> BoolArray:
        """(m,) faces on the shape that face its way: in or out alike, as the face that they grew from does."""
        band = max(NOISES * noise, EDGE_SHARE * self.edge)
        near = np.abs(fit.distance(self.mesh.vertices)) < band
        cosine = np.abs(np.einsum("ni,ni->n", fit.normals(self.middle), self.normal))
        on: BoolArray = self.allowed & near[self.mesh.faces].all(axis=1) & (cosine > np.cos(np.radians(ALIKE_DEG)))
        return on

    def without_rim(self, inside: BoolArray) -> BoolArray:
        """(m,) the region without what touches its rim, where the surface already bends away; all of a small one."""
        inner = inside
        for _ in range(RIM_RINGS):
            outer = np.zeros(len(self.mesh.vertices), bool)
            outer[self.mesh.faces[~inner]] = True
            smaller = inner & ~outer[self.mesh.faces].any(axis=1)
            if self.area[smaller].sum() < LEAST_INNER * self.area[inside].sum():
                break
            inner = smaller
        return inner

    def connected(self, chosen: BoolArray, start: int) -> BoolArray:
        """(m,) the chosen faces that hang together with the start; the largest such piece when that is not chosen."""
        pairs = self.pairs[chosen[self.pairs].all(axis=1)]
        label = connected(len(chosen), pairs[:, 0], pairs[:, 1])
        if chosen[start]:
            piece: BoolArray = chosen & (label == label[start])
            return piece
        if not chosen.any():
            return chosen
        sizes = np.bincount(label[chosen], self.area[chosen])
        largest: BoolArray = chosen & (label == np.argmax(sizes))
        return largest
