"""Lumps and stickers on a surface: how far they reach and how high they stand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.cloud import unit
from pipeline.geometry.edges import connected, edges_of
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import edge_lengths, face_vectors
from pipeline.part import FloatArray, LongArray, Mesh

RING = (1.0, 2.0)
"""The surface around a marker is judged on a ring from its foot to this many radii, both widened by the margin."""
MARGIN_EDGES = 1.5
"""A mesher rounds the foot of a lump off over so many edges; they go with it."""
TALLEST = 2.0
"""A marker is no higher than this many radii."""
CLEAR = 4.0
"""It stands out when it is higher than this many times the scatter of the surface around it."""
EDGE_DEG, BENT = 40.0, 0.2
"""A marker sits across an edge when this share of the surface around it looks this far away from its own."""
WIDER, HIGHER = (1.7, 2.7), 1.5
ROUNDS = 4
FEWEST = 12


@dataclass(frozen=True, eq=False, slots=True)
class Lump:
    """A marker as the mesh shows it.

    Attributes
    ----------
    place : (3,) foot of its middle on the surface around it, mm
    axis : (3,) unit normal of the surface there
    height : of its top above the surface carried on beneath it, mm
    scatter : of the surface around it about a smooth one, mm
    width : of the circle as large as what rises above a third of the height, mm
    elongation : how many times longer than wide that is
    bent : share of the surface around it that looks another way: 0 amid a smooth face, a half across an edge
    faces : (k,) the faces to cut out
    """

    place: FloatArray
    axis: FloatArray
    height: float
    scatter: float
    width: float
    elongation: float
    bent: float
    faces: LongArray

    @property
    def across_edge(self) -> bool:
        return self.bent > BENT


def merged(places: FloatArray, apart_mm: float) -> FloatArray:
    """(k, 3) places (n, 3) with those closer together than ``apart_mm`` made one: several sides saw the same marker."""
    if not len(places):
        return places
    pairs = cKDTree(places).query_pairs(apart_mm, output_type="ndarray")
    label = connected(len(places), pairs[:, 0], pairs[:, 1])
    number = np.bincount(label)
    sums = [np.bincount(label, weights=places[:, axis]) for axis in range(3)]
    means: FloatArray = np.stack(sums, axis=1) / number[:, None]
    return means


class LumpFinder:
    """Looks at places of one mesh."""

    def __init__(self, mesh: Mesh, diameter_mm: float) -> None:
        self.mesh, self.radius = mesh, diameter_mm / 2
        self.tree = cKDTree(mesh.vertices)
        self.vectors = face_vectors(mesh.vertices, mesh.faces)
        self.edge = float(np.median(edge_lengths(mesh.vertices, mesh.faces)))
        self.margin = MARGIN_EDGES * min(self.edge, self.radius)
        self._touching = Incidence(mesh.faces, len(mesh.vertices))

    def at(self, place: FloatArray, scale: float = 1.0) -> Lump | None:
        """The lump at a place near its middle, as high as its top or its foot; None where there is no surface.

        With another ``scale`` as if the marker were so many times wider.
        """
        radius = scale * self.radius
        faces = self._around(place, radius)
        if faces is None:
            return None
        corners = np.unique(self.mesh.faces[faces])
        points = self.mesh.vertices[corners]
        axis = self.vectors[faces].sum(axis=0)
        axis /= max(float(np.linalg.norm(axis)), np.finfo(float).tiny)
        middle = place
        inner, outer = (share * radius + self.margin for share in RING)
        for _ in range(ROUNDS):
            local, aside = _beside(points, middle, axis)
            ring = (aside > inner) & (aside < outer)
            if ring.sum() < FEWEST:
                return None
            axis = _level(local[ring], axis)
            ground = _Ground(*_split(local[ring], axis))
            across, along = _split(local, axis)
            height = along - ground.at(across)
            beneath = np.linalg.norm(across, axis=1) < inner
            if not beneath.any():
                return None
            raised = beneath & (height > max(0.3 * float(height[beneath].max()), CLEAR * ground.scatter))
            if raised.sum() >= 3:
                shift = across[raised].mean(axis=0)
                size = float(np.linalg.norm(shift))
                middle = middle + min(1.0, 0.25 * radius / max(size, 1e-12)) * shift
        foot = middle + float(ground.at(np.zeros((1, 3)))[0]) * axis
        flags = np.zeros(len(self.mesh.vertices), bool)
        flags[corners[beneath]] = True
        rising = (height > CLEAR * ground.scatter) & (np.linalg.norm(across, axis=1) < inner + self.margin)
        flags[corners[rising]] = True
        cut = faces[flags[self.mesh.faces[faces]].any(axis=1)]
        cut = self._piece(cut, place)
        top = float(height[beneath].max())
        above = np.full(len(self.mesh.vertices), -np.inf)
        above[corners] = height
        high = cut[above[self.mesh.faces[cut]].mean(axis=1) > top / 3]
        return Lump(
            foot,
            axis,
            top,
            ground.scatter,
            *self._outline(high, axis),
            self._bent(faces, foot, axis, (inner, outer)),
            cut,
        )

    def _outline(self, faces: LongArray, axis: FloatArray) -> tuple[float, float]:
        """Width of the circle as large as faces seen along an axis, and how many times longer than wide they are."""
        area = np.abs(self.vectors[faces] @ axis) / 2
        if area.sum() <= 0.0:
            return 0.0, np.inf
        middle = self.mesh.vertices[self.mesh.faces[faces]].mean(axis=1)
        across = _split(middle - area @ middle / area.sum(), axis)[0]
        spread = np.linalg.eigvalsh((across * area[:, None]).T @ across)
        elongation = float(np.sqrt(spread[2] / spread[1])) if spread[1] > 0 else np.inf
        return 2 * float(np.sqrt(area.sum() / np.pi)), elongation

    def is_wider(self, lump: Lump, place: FloatArray) -> bool:
        """Whether a marker is wider than told: looked at more widely it is higher, on smoother surface."""
        for scale in WIDER:
            whole = self.at(place, scale)
            if whole is not None and whole.height > HIGHER * lump.height and HIGHER * whole.scatter < lump.scatter:
                return True
        return False

    def _bent(self, faces: LongArray, foot: FloatArray, axis: FloatArray, ring: tuple[float, float]) -> float:
        """Share of the ring's area that looks more than EDGE_DEG away from the axis."""
        aside = _beside(self.mesh.vertices[self.mesh.faces[faces]].mean(axis=1), foot, axis)[1]
        around = self.vectors[faces[(aside > ring[0]) & (aside < ring[1])]]
        size = np.linalg.norm(around, axis=1)
        away = around @ axis < np.cos(np.radians(EDGE_DEG)) * size
        return float(size[away].sum() / max(size.sum(), np.finfo(float).tiny))

    def _around(self, place: FloatArray, radius: float) -> LongArray | None:
        """The faces about a place that hang together with the one nearest to it."""
        distance, nearest = self.tree.query(place)
        wide = RING[1] * radius + self.margin
        if distance > TALLEST * self.radius + self.edge:
            return None
        reach = float(np.hypot(wide, TALLEST * radius))
        near = np.zeros(len(self.mesh.vertices), bool)
        near[self.tree.query_ball_point(place, reach)] = True
        candidates = self._touching.faces_at(np.flatnonzero(near))
        candidates = candidates[near[self.mesh.faces[candidates]].all(axis=1)]
        return self._piece(candidates, self.mesh.vertices[nearest]) if len(candidates) else None

    def _piece(self, faces: LongArray, place: FloatArray) -> LongArray:
        """Those of the faces that hang together with the one nearest to a place."""
        if not len(faces):
            return faces
        pairs = edges_of(self.mesh.faces[faces]).pairs // 3
        label = connected(len(faces), pairs[:, 0], pairs[:, 1])
        away = np.linalg.norm(self.mesh.vertices[self.mesh.faces[faces]].mean(axis=1) - place, axis=1)
        piece: LongArray = faces[label == label[np.argmin(away)]]
        return piece


class _Ground:
    """The smooth surface around a marker, carried on beneath it: a robust quadric over the ring."""

    def __init__(self, across: FloatArray, along: FloatArray) -> None:
        self._frame = np.linalg.svd(across - across.mean(axis=0), full_matrices=False)[2][:2]
        self._scale = max(float(np.linalg.norm(across, axis=1).max()), np.finfo(float).tiny)
        design, weight = self._terms(across), np.ones(len(along))
        for _ in range(6):
            self._shape = np.linalg.lstsq(design * weight[:, None], along * weight, rcond=None)[0]
            off = np.abs(along - design @ self._shape)
            self.scatter = max(1.4826 * float(np.median(off)), 1e-9 * self._scale)
            weight = 1.0 / np.sqrt(1.0 + (off / (2.0 * self.scatter)) ** 2)

    def at(self, across: FloatArray) -> FloatArray:
        """(n,) how high the surface lies at places across the axis, mm."""
        heights: FloatArray = self._terms(across) @ self._shape
        return heights

    def _terms(self, across: FloatArray) -> FloatArray:
        u, v = (across @ self._frame.T / self._scale).T
        return np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])


def _beside(points: FloatArray, middle: FloatArray, axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points about the middle, and (n,) how far they lie off the axis."""
    local = points - middle
    return local, np.linalg.norm(local - np.outer(local @ axis, axis), axis=1)


def _split(local: FloatArray, axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n, 3) the parts of vectors across an axis, and (n,) those along it."""
    along = local @ axis
    return local - np.outer(along, axis), along


def _level(ring: FloatArray, axis: FloatArray) -> FloatArray:
    """(3,) unit normal of the plane through a ring of points, to the side of ``axis``; outliers hardly count."""
    weight = np.ones(len(ring))
    for _ in range(6):
        centre = weight @ ring / weight.sum()
        spread = (ring - centre) * weight[:, None]
        normal = np.linalg.eigh(spread.T @ (ring - centre))[1][:, 0]
        off = np.abs((ring - centre) @ normal)
        weight = 1.0 / (1.0 + (off / max(2.0 * float(np.median(off)), 1e-9)) ** 2)
    normal = normal if normal @ axis >= 0 else -normal
    level: FloatArray = unit(normal[None])[0]
    return level
