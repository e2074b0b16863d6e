"""A handheld structured-light scanner: many short looks from an orbit around the part, by ray casting."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipeline.part import BoolArray, Capture, ColourArray, FloatArray, frozen_array, transformed
from pipeline.simulate.fused import fused
from pipeline.simulate.poses import SIDES, inverse, random_rigid
from pipeline.simulate.rays import RayCaster
from pipeline.simulate.scene import Geometry, Label, LabelArray, Scene

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
class SimulatedCapture:
    """A capture and the truth about it.

    Attributes
    ----------
    capture : as an operator would have exported it
    labels : (n,) uint8, one ``Label`` per point
    part_from_capture : (4, 4) the true pose
    noise_mm : standard deviation along the ray
    """

    capture: Capture
    labels: LabelArray
    part_from_capture: FloatArray
    noise_mm: float


def scan(
    scene: Scene,
    *,
    points: int = 100_000,
    noise_mm: float = 0.05,
    seed: int = 0,
    scanner: Scanner | None = None,
    frame: Literal["random", "part"] = "random",
    form: Literal["cloud", "mesh"] = "cloud",
    normals: bool = True,
    colours: bool = True,
    name: str = "capture.ply",
) -> SimulatedCapture:
    """Scan a scene.

    Parameters
    ----------
    points : how many the capture has in all (a mesh has about as many vertices)
    noise_mm : standard deviation of the error along the ray
    frame : an arbitrary frame of the scanner's own, or the part's
    form : points, or the triangle mesh that a scanner's software fuses of them
    """
    scanner = scanner or Scanner()
    rng = np.random.default_rng([seed, 77])
    view = _Session(scene.build(), scanner, noise_mm, rng)
    loose = points if form == "cloud" else 0  # fusing drops what lies on no surface
    flying = view.flying(round(loose * scanner.flying_percent / 100))
    strays = view.strays(round(loose * scanner.stray_percent / 100))
    surface = view.surface(points - len(flying.points) - len(strays.points))
    look = _Returns.joined([surface, flying, strays])
    capture_from_scene = _capture_from_scene(view.geometry, frame, rng)
    capture = Capture(
        name=name,
        points=transformed(look.points, capture_from_scene),
        normals=(look.normals @ capture_from_scene[:3, :3].T).astype(np.float32),
        colours=_colours(look, rng),
    )
    labels = look.labels
    if form == "mesh":
        capture = fused(capture)
        labels = view.labels_of(transformed(capture.points, inverse(capture_from_scene)))
    capture = replace(
        capture, normals=capture.normals if normals else None, colours=capture.colours if colours else None
    )
    truth = inverse(view.geometry.scene_from_part) @ inverse(capture_from_scene)
    return SimulatedCapture(capture, frozen_array(labels, np.uint8), frozen_array(truth, np.float64), noise_mm)


def scan_sides(
    scene: Scene,
    sides: tuple[str, ...] = ("top", "bottom", "left"),
    *,
    points: int = 100_000,
    noise_mm: float = 0.05,
    seed: int = 0,
    scanner: Scanner | None = None,
    aligned: bool = False,
    form: Literal["cloud", "mesh"] = "cloud",
    normals: bool = True,
    colours: bool = True,
) -> tuple[SimulatedCapture, ...]:
    """Scan a part from several sides: turned over between captures, with its table, riser and paper laid anew.

    Parameters
    ----------
    scene : of the first side; its ``up`` is not used
    sides : names from ``poses.SIDES``
    aligned : export every capture in the part's frame instead of an arbitrary one
    """
    return tuple(
        scan(
            replace(scene, up=SIDES[side], seed=scene.seed + 100 * k, spin_deg=scene.spin_deg + 97 * k),
            points=points,
            noise_mm=noise_mm,
            seed=seed + 1000 * k,
            scanner=scanner,
            frame="part" if aligned else "random",
            form=form,
            normals=normals,
            colours=colours,
            name=f"side-{k + 1}.ply",
        )
        for k, side in enumerate(sides)
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Returns:
    """What came back: (n, 3) points and normals towards the viewer, (n,) labels and cosines of slant."""

    points: FloatArray
    normals: FloatArray
    labels: LabelArray
    slant: FloatArray

    @staticmethod
    def joined(parts: list[_Returns]) -> _Returns:
        names = ("points", "normals", "labels", "slant")
        return _Returns(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    @staticmethod
    def loose(points: FloatArray, towards: FloatArray, label: Label) -> _Returns:
        """Points that lie on no surface; software still gives them some normal."""
        count = len(points)
        return _Returns(points, towards, np.full(count, label, np.uint8), np.full(count, 0.7))


class _Session:
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

    def surface(self, count: int) -> _Returns:
        """Exactly ``count`` points on what both camera and projector see."""
        parts, have = [_Returns.loose(np.zeros((0, 3)), np.zeros((0, 3)), Label.PART)], 0
        for _ in range(2000):
            if have >= count:
                break
            batch = self._surface_batch(min(BATCH, 20_000 + 8 * (count - have)))
            have += len(batch.points)
            parts.append(batch)
        else:
            raise ValueError("the scanner sees hardly anything of this scene")
        found = _Returns.joined(parts)
        keep = np.sort(self.rng.permutation(len(found.points))[:count])
        return _Returns(found.points[keep], found.normals[keep], found.labels[keep], found.slant[keep])

    def _surface_batch(self, count: int) -> _Returns:
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
        return _Returns(point[keep] + way[keep] * error[:, None], tilted, labels, slant[keep])

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

    def flying(self, count: int) -> _Returns:
        """Up to ``count`` points on rays that straddle a depth edge, between foreground and background."""
        found, ways = [np.zeros((0, 3))], [np.zeros((0, 3))]
        for _ in range(12 if count else 0):
            if sum(map(len, found)) >= count:
                break
            for point, towards in self._flying_batch(min(BATCH, 40_000 + 100 * count)):
                found.append(point)
                ways.append(towards)
        return _Returns.loose(np.vstack(found)[:count], np.vstack(ways)[:count], Label.FLYING)

    def _flying_batch(self, count: int) -> Iterator[tuple[FloatArray, FloatArray]]:
        view, picture = self._aims(count)
        aside = self.rng.normal(0, 0.4 / self.standoff, picture.shape)
        first, second = (self._directions(view, at) for at in (picture, picture + aside))
        near, far = (np.minimum(self.rays.cast(self.cameras[view], way)[0], 2 * self.far) for way in (first, second))
        edge = (near > self.near) & (far < self.far) & (far - near > max(1.5, 10 * self.noise))
        between = near[edge] + (far - near)[edge] * self.rng.beta(0.7, 1.6, int(edge.sum()))
        way = first[edge]
        point = self.cameras[view[edge]] + way * between[:, None]
        free = self.rays.distance(point) > max(0.3, 5 * self.noise)
        yield point[free], -way[free]

    def strays(self, count: int) -> _Returns:
        """Exactly ``count`` points off any surface: most in the free space in front, a third of all in small groups."""
        if not count:
            return _Returns.loose(np.zeros((0, 3)), np.zeros((0, 3)), Label.STRAY)
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
        return _Returns.loose(point[free], towards[free], Label.STRAY)


_PAINT = {
    Label.PART: (176, 141, 87),
    Label.TABLE: (92, 96, 99),
    Label.RISER: (70, 70, 74),
    Label.PAPER: (226, 224, 216),
    Label.CLOTH: (60, 74, 110),
    Label.WALL: (200, 198, 190),
    Label.HAND: (214, 168, 142),
    Label.OTHER: (120, 126, 110),
    Label.FLYING: (140, 130, 110),
    Label.STRAY: (128, 128, 128),
}


def _colours(look: _Returns, rng: np.random.Generator) -> ColourArray:
    """(n, 3) uint8: paint, patches of patina, shading by slant, and the camera's own noise."""
    paint = np.array([_PAINT[label] for label in Label], float)[look.labels]
    waves = np.random.default_rng(5).normal(size=(3, 6)) * 0.12
    patina = 1 + 0.05 * np.sin(look.points @ waves).sum(axis=1, keepdims=True) / 2
    shaded = paint * patina * (0.45 + 0.55 * np.clip(look.slant, 0, 1))[:, None] + rng.normal(0, 4, paint.shape)
    colours: ColourArray = np.clip(shaded, 0, 255).astype(np.uint8)
    return colours


def _capture_from_scene(geometry: Geometry, frame: str, rng: np.random.Generator) -> FloatArray:
    arbitrary = random_rigid(rng, 400.0)
    return arbitrary if frame == "random" else inverse(geometry.scene_from_part)
