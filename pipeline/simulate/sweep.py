"""One sweep of a handheld scanner over a scene: what comes back, what flies, what strays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.part import BoolArray, FloatArray, NormalArray
from pipeline.simulate.rays import RayCaster
from pipeline.simulate.scene import Geometry, Label, LabelArray

BATCH = 400_000
"""Rays cast at a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanner:
    """What the instrument and the hand that moves it do.

    Attributes
    ----------
    elevations_deg : heights of the orbit's rings above the level, looking at the part
    looks_per_ring : viewpoints on each ring
    baseline_ratio : distance from camera to projector over the distance to the part
    field_ratio : half the width of a look over the part's radius
    grazing_deg : no surface steeper to camera or projector than this returns light; it thins 18 degrees before
    flying_percent : share of points that hang between foreground and background at depth edges, where there are any
    stray_percent : share of points that lie anywhere, single and in small groups
    density_ratio : how much denser the densest region is than the thinnest, beyond what distance and slant do
    """

    elevations_deg: tuple[float, ...] = (15.0, 38.0, 62.0, 85.0)
    looks_per_ring: int = 18
    baseline_ratio: float = 0.22
    field_ratio: float = 1.25
    grazing_deg: float = 78.0
    flying_percent: float = 0.3
    stray_percent: float = 0.1
    density_ratio: float = 1.0


CLEAN = Scanner(flying_percent=0.0, stray_percent=0.0)
"""A scanner without flying points and strays."""


@dataclass(frozen=True, eq=False, slots=True)
class Returns:
    """What came back: (n, 3) points and normals towards the viewer, (n,) labels and cosines of slant."""

    points: FloatArray
    normals: NormalArray
    labels: LabelArray
    slant: NDArray[np.float32]

    @staticmethod
    def of(points: FloatArray, normals: FloatArray, labels: LabelArray, slant: FloatArray) -> Returns:
        return Returns(points, normals.astype(np.float32), labels, slant.astype(np.float32))

    def __getitem__(self, chosen: slice | NDArray[np.int64]) -> Returns:
        return Returns(self.points[chosen], self.normals[chosen], self.labels[chosen], self.slant[chosen])

    @staticmethod
    def joined(parts: list[Returns]) -> Returns:
        names = ("points", "normals", "labels", "slant")
        return Returns(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    @staticmethod
    def loose(points: FloatArray, towards: FloatArray, label: Label) -> Returns:
        """Points that lie on no surface; software still gives them some normal."""
        count = len(points)
        return Returns.of(points, towards, np.full(count, label, np.uint8), np.full(count, 0.7))


class Sweep:
    """One sweep of the scanner over one scene."""

    def __init__(self, geometry: Geometry, scanner: Scanner, noise_mm: float, rng: np.random.Generator) -> None:
        self.geometry, self.scanner, self.noise, self.rng = geometry, scanner, noise_mm, rng
        self.rays = RayCaster(geometry.vertices, geometry.faces)
        self.standoff = max(300.0, 3.6 * geometry.radius)
        self.near, self.far = 0.55 * self.standoff, 1.5 * self.standoff
        self.half_field = max(scanner.field_ratio * geometry.radius, 60.0) / self.standoff
        self.cameras, self.frames = self._orbit()
        self.waves = rng.normal(size=(3, 3)) * 1.6 / geometry.radius
        self.phases = rng.uniform(0, 2 * np.pi, 3)

    def _orbit(self) -> tuple[FloatArray, FloatArray]:
        """(v, 3) camera positions and (v, 3, 3) frames whose columns are right, up, forward."""
        rng, scanner = self.rng, self.scanner
        rings = np.repeat(np.asarray(scanner.elevations_deg), scanner.looks_per_ring)
        turn = np.tile(np.arange(scanner.looks_per_ring) * 360 / scanner.looks_per_ring, len(scanner.elevations_deg))
        azimuth = np.deg2rad(turn + rng.normal(0, 6, len(turn)))
        elevation = np.deg2rad(np.clip(rings + rng.normal(0, 4, len(rings)), -88, 88))
        outward = np.column_stack(
            [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)]
        )
        distance = self.standoff * rng.uniform(0.85, 1.15, len(rings))
        cameras = self.geometry.centre + outward * distance[:, None]
        aim = self.geometry.centre + rng.uniform(-0.25, 0.25, outward.shape) * self.geometry.radius
        forward = aim - cameras
        forward /= np.linalg.norm(forward, axis=1, keepdims=True)
        right = np.cross(forward, rng.normal((0, 0, 1), 0.1, outward.shape))
        right /= np.linalg.norm(right, axis=1, keepdims=True)
        open_view = ~self._hides_all(cameras)
        if not open_view.any():
            raise ValueError("from nowhere on this orbit can the part be seen")
        return cameras[open_view], np.stack([right, np.cross(right, forward), forward], axis=-1)[open_view]

    def _hides_all(self, cameras: FloatArray) -> BoolArray:
        """Viewpoints where nobody would hold a scanner: behind the wall, under the table."""
        large = np.isin(self.geometry.labels, (Label.WALL, Label.TABLE))
        if not large.any():
            return np.zeros(len(cameras), bool)
        aim = np.broadcast_to(self.geometry.centre, cameras.shape)
        return RayCaster(self.geometry.vertices, self.geometry.faces[large]).blocked(cameras, aim)

    def labels_of(self, points: FloatArray) -> LabelArray:
        """(n,) what points of a fused surface lie on; skin that spans from one thing to another counts as flying."""
        off = self.rays.distance(points) > max(0.5, 5 * self.noise)
        return np.where(off, Label.FLYING, self.geometry.labels[self.rays.nearest_face(points)]).astype(np.uint8)

    def _aims(self, count: int) -> tuple[np.ndarray, FloatArray]:
        """Random viewpoints (n,) and positions in their pictures (n, 2)."""
        view = self.rng.integers(0, len(self.cameras), count)
        return view, self.rng.uniform(-self.half_field, self.half_field, (count, 2))

    def _directions(self, view: np.ndarray, picture: FloatArray) -> FloatArray:
        way = np.column_stack([picture, np.ones(len(picture))])
        way = np.einsum("nij,nj->ni", self.frames[view], way)
        unit: FloatArray = way / np.linalg.norm(way, axis=1, keepdims=True)
        return unit

    def surface(self, count: int) -> list[Returns]:
        """Exactly ``count`` points on what both camera and projector see, in batches."""
        batches: list[Returns] = []
        for _ in range(20 + count // 1000):
            if count <= 0:
                return batches
            batch = self._surface_batch(min(BATCH, 20_000 + 8 * count))[:count]
            batches.append(batch)
            count -= len(batch.points)
        raise ValueError("the scanner sees hardly anything of this scene")

    def _surface_batch(self, count: int) -> Returns:
        view, picture = self._aims(count)
        way = self._directions(view, picture)
        distance, face, normal = self.rays.cast(self.cameras[view], way)
        seen = (distance > self.near) & (distance < self.far)
        view, way, face, normal = view[seen], way[seen], face[seen], normal[seen]
        point = self.cameras[view] + way * distance[seen][:, None]
        normal *= -np.sign(np.einsum("ij,ij->i", normal, way))[:, None]
        slant = -np.einsum("ij,ij->i", normal, way)
        projector = self.cameras[view] + self.frames[view, :, 0] * self.scanner.baseline_ratio * self.standoff
        light = projector - point
        light /= np.linalg.norm(light, axis=1, keepdims=True)
        lit = np.einsum("ij,ij->i", normal, light)
        chance = self._returned(slant) * self._returned(lit) * self._density(point)
        keep = self.rng.uniform(size=len(chance)) < chance
        keep[keep] = ~self.rays.blocked(projector[keep], point[keep])
        error = self.rng.normal(0, self.noise, int(keep.sum()))
        tilted = normal[keep] + self.rng.normal(0, 0.05, (len(error), 3))
        tilted /= np.linalg.norm(tilted, axis=1, keepdims=True)
        labels = self.geometry.labels[face[keep]]
        return Returns.of(point[keep] + way[keep] * error[:, None], tilted, labels, slant[keep])

    def _returned(self, cosine: FloatArray) -> FloatArray:
        """Chance that light comes back at a slant: all of it up to 18 degrees before the grazing angle."""
        angle = np.rad2deg(np.arccos(np.clip(cosine, -1, 1)))
        return np.clip((self.scanner.grazing_deg - angle) / 18.0, 0, 1)

    def _density(self, point: FloatArray) -> FloatArray:
        if self.scanner.density_ratio <= 1:
            return np.ones(len(point))
        wave = np.sin((point - self.geometry.centre) @ self.waves + self.phases).mean(axis=1)
        share: FloatArray = self.scanner.density_ratio ** -np.clip(0.5 + 0.9 * wave, 0, 1)
        return share

    def flying(self, count: int) -> Returns:
        """Up to ``count`` points on rays that straddle a depth edge, between foreground and background."""
        found, ways = [np.zeros((0, 3))], [np.zeros((0, 3))]
        for _ in range(12 if count else 0):
            if sum(map(len, found)) >= count:
                break
            point, towards = self._flying_batch(min(BATCH, 40_000 + 100 * count))
            found.append(point)
            ways.append(towards)
        return Returns.loose(np.vstack(found)[:count], np.vstack(ways)[:count], Label.FLYING)

    def _flying_batch(self, count: int) -> tuple[FloatArray, FloatArray]:
        view, picture = self._aims(count)
        aside = self.rng.normal(0, 0.4 / self.standoff, picture.shape)
        first, second = (self._directions(view, at) for at in (picture, picture + aside))
        near = np.minimum(self.rays.cast(self.cameras[view], first)[0], 2 * self.far)
        far = np.minimum(self.rays.cast(self.cameras[view], second)[0], 2 * self.far)
        edge = (near > self.near) & (far < self.far) & (far - near > max(1.5, 10 * self.noise))
        near, far, way, aside = near[edge], far[edge], second[edge], aside[edge]
        point = self.cameras[view[edge]] + way * (near + (far - near) * self.rng.beta(0.6, 2.0, len(near)))[:, None]
        apart = far * np.linalg.norm(aside, axis=1)  # a steep surface lies closer to both rays than they to one another
        free = self.rays.distance(point) > np.maximum(max(0.3, 5 * self.noise), 1.2 * apart)
        return point[free], -way[free]

    def strays(self, count: int) -> Returns:
        """Exactly ``count`` points off any surface: most in the free space in front, a third of all in small groups."""
        if not count:
            return Returns.loose(np.zeros((0, 3)), np.zeros((0, 3)), Label.STRAY)
        view, picture = self._aims(6 * count)
        way = self._directions(view, picture)
        hit = np.clip(self.rays.cast(self.cameras[view], way)[0], self.near + 1, self.far)
        behind, share = self.rng.uniform(size=(2, len(hit)))
        depth = np.where(behind < 0.15, hit + share * 0.4 * self.standoff, self.near + share * (hit - self.near))
        point = self.cameras[view] + way * depth[:, None]
        grouped = int(0.35 * count)
        members = np.repeat(np.arange(1 + grouped // 6), self.rng.integers(6, 30, 1 + grouped // 6))[:grouped]
        groups = point[members] + self.rng.normal(0, 0.8, (len(members), 3))
        point, towards = np.vstack([groups, point[len(members) :]]), np.vstack([-way[members], -way[len(members) :]])
        free = np.flatnonzero(self.rays.distance(point) > 1.0)[:count]
        return Returns.loose(point[free], towards[free], Label.STRAY)
