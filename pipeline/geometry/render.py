"""Pictures of a mesh by ray casting: what each ray hits, how it is turned, how much sky it sees.

No graphics card and no screen is needed. The result is arrays; colours are chosen elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import Camera
from pipeline.geometry.kinds import ascending
from pipeline.geometry.measure import face_vectors
from pipeline.geometry.native import open3d, ray_scene
from pipeline.part import BoolArray, FloatArray, IndexArray

Image = NDArray[np.float32]

OVERSAMPLING = 2
SKY_RAYS = 8
"""Rays a pixel; with the 16 turns of the pattern below, 128 directions stand behind each smoothed pixel."""
SKY_REACH = 0.35
"""What is farther off than this share of the part's size takes no light away."""
TILE = 4
CREASE_COS = float(np.cos(np.deg2rad(35.0)))
LAMP = np.array([-0.45, 0.65, 0.62]) / np.linalg.norm([-0.45, 0.65, 0.62])
"""Where the lamp stands, in the camera's axes: left above the viewer's shoulder."""
LAMP_SPREAD = 0.22
BLOCK = 1_000_000
CORNERS = 100_000
MOST_AROUND = 64
"""A vertex with more faces than this is the middle of a fan: they keep their own normals."""


@dataclass(frozen=True, eq=False, slots=True)
class Shot:
    """What a camera sees of a mesh: the n samples whose ray hits it, OVERSAMPLING a pixel in both directions.

    Attributes
    ----------
    row, column : (n,) int32 place of the sample in the finer raster
    face : (n,) int32 index of the face that is hit
    points : (n, 3) float32 place that is hit, mm
    normals : (n, 3) float32 unit, turned to the viewer, smooth across faces that bend gently
    back : (n,) True where the inside of an open surface is seen
    contour : (n,) True where the surface jumps in depth or bends sharply between samples
    sky : (n,) float32 share of the sky that is seen from there, 0 to 1
    lamp : (n,) float32 share of the lamp that is seen from there, 0 to 1
    first : (p,) the first sample of each pixel that is hit at all
    pixel : (n,) which of those p pixels each sample belongs to
    """

    camera: Camera
    row: IndexArray
    column: IndexArray
    face: IndexArray
    points: Image
    normals: Image
    back: BoolArray
    contour: BoolArray
    sky: Image
    lamp: Image
    first: IndexArray
    pixel: IndexArray


@dataclass(frozen=True, eq=False, slots=True)
class _Hits:
    """The samples that hit, before light falls on them; places relative to the camera's centre."""

    row: IndexArray
    column: IndexArray
    face: IndexArray
    places: Image
    normals: Image
    back: BoolArray


class Studio:
    """A mesh set up to be looked at from any side.

    Parameters
    ----------
    vertices : (n, 3), millimetres
    faces : (m, 3), counter-clockwise seen from outside
    """

    def __init__(self, vertices: FloatArray, faces: IndexArray) -> None:
        self.used = vertices[np.unique(faces)]
        self._middle = (self.used.min(axis=0) + self.used.max(axis=0)) / 2
        self.size = float(np.linalg.norm(np.ptp(self.used, axis=0)))
        self._face_normals, self._corner_normals = _normals(vertices, faces)
        self._scene = ray_scene(vertices - self._middle, faces)

    def shoot(self, camera: Camera) -> Shot:
        """Look at the mesh through a camera."""
        hits = self._first_hits(camera)
        fine = (camera.height * OVERSAMPLING, camera.width * OVERSAMPLING)
        contour = _contours(hits, camera, _raster(hits.row, hits.column, fine))
        number = (hits.row // OVERSAMPLING).astype(np.int64) * camera.width + hits.column // OVERSAMPLING
        _, first, pixel = np.unique(number, return_index=True, return_inverse=True)
        sky, lamp = self._light(camera, hits, first)
        return Shot(
            camera=camera,
            row=hits.row,
            column=hits.column,
            face=hits.face,
            points=hits.places + camera.centre.astype(np.float32),
            normals=hits.normals,
            back=hits.back,
            contour=contour,
            sky=sky[pixel],
            lamp=lamp[pixel],
            first=first.astype(np.int32),
            pixel=pixel.astype(np.int32),
        )

    def _first_hits(self, camera: Camera) -> _Hits:
        rows, columns = _window(camera, self.used)
        shift = (camera.centre - self._middle).astype(np.float32)
        direction = -camera.axes[2].astype(np.float32)
        found: list[_Hits] = []
        step = max(1, BLOCK // max(len(columns), 1))
        for start in range(0, len(rows), step):
            block = rows[start : start + step]
            places = camera.rays(block, columns, OVERSAMPLING).reshape(-1, 3)
            rays = np.empty((len(places), 6), np.float32)
            rays[:, :3], rays[:, 3:] = places + shift, direction
            answer = self._scene.cast_rays(open3d().core.Tensor(rays))
            distance = answer["t_hit"].numpy()
            at = np.flatnonzero(np.isfinite(distance))
            face = answer["primitive_ids"].numpy()[at].astype(np.int32)
            u, v = answer["primitive_uvs"].numpy()[at].T
            back = self._face_normals[face] @ direction > 0
            corners = self._corner_normals[face]
            normals = (1 - u - v)[:, None] * corners[:, 0] + u[:, None] * corners[:, 1] + v[:, None] * corners[:, 2]
            normals = _unit(normals) * np.where(back, np.float32(-1), np.float32(1))[:, None]
            places = places[at] + distance[at, None] * direction
            row, column = np.divmod(at, len(columns))
            found.append(_Hits(block[row], columns[column], face, places, normals, back))
        return _Hits(*(np.concatenate([getattr(h, name) for h in found]) for name in _Hits.__slots__))

    def _light(self, camera: Camera, hits: _Hits, first: IndexArray) -> tuple[Image, Image]:
        """Ambient occlusion (Zhukov et al. 1998) and a soft shadow, by few rays a pixel in an interleaved pattern.

        Neighbouring pixels look in different directions (interleaved sampling, Keller & Heidrich 2001); the mean
        over each tile of pixels on the same surface makes the picture smooth again.
        """
        row, column = hits.row[first] // OVERSAMPLING, hits.column[first] // OVERSAMPLING
        places, normals = hits.places[first], hits.normals[first]
        turn = ((row % TILE) * TILE + (column % TILE)) * 7 % TILE**2
        shift = (camera.centre - self._middle).astype(np.float32)
        start = places + shift + normals * np.float32(1e-4 * self.size)
        hemisphere, lamps = _hemisphere_pattern(), _lamp_pattern(camera)
        frame = _frames(normals)
        seen = np.zeros(len(row), np.float32)
        for k in range(SKY_RAYS):
            direction = np.einsum("nik,ni->nk", frame, hemisphere[turn, k])
            seen += ~self._blocked(start, direction, SKY_REACH * self.size)
        lit = (~self._blocked(start, lamps[turn], 4 * self.size)).astype(np.float32)
        raster = _raster(row, column, (camera.height, camera.width))
        near_mm = 3 * TILE * camera.mm_per_pixel
        return _tile_means(
            (seen / np.float32(SKY_RAYS), lit), raster, row, column, places @ camera.axes[2], normals, near_mm
        )

    def _blocked(self, start: Image, direction: Image, reach: float) -> BoolArray:
        blocked = np.zeros(len(start), bool)
        for first in range(0, len(start), BLOCK):
            block = slice(first, first + BLOCK)
            rays = np.concatenate([start[block], direction[block]], axis=1, dtype=np.float32)
            blocked[block] = self._scene.test_occlusions(open3d().core.Tensor(rays), tnear=0.0, tfar=reach).numpy()
        return blocked


def _window(camera: Camera, points: FloatArray) -> tuple[IndexArray, IndexArray]:
    """The rows and columns of samples that the points (n, 3) can fall into."""
    place = camera.project(points)[:, :2] * OVERSAMPLING
    low = np.maximum(np.floor(place.min(axis=0)) - 1, 0).astype(int)
    high = np.minimum(
        np.ceil(place.max(axis=0)) + 1, (camera.width * OVERSAMPLING, camera.height * OVERSAMPLING)
    ).astype(int)
    return np.arange(low[1], high[1], dtype=np.int32), np.arange(low[0], high[0], dtype=np.int32)


def _raster(row: IndexArray, column: IndexArray, shape: tuple[int, int]) -> IndexArray:
    """(h + 2 TILE, w + 2 TILE) number of the sample at each place, -1 for none; a rim of TILE around it."""
    raster = np.full((shape[0] + 2 * TILE, shape[1] + 2 * TILE), -1, np.int32)
    raster[row + TILE, column + TILE] = np.arange(len(row), dtype=np.int32)
    return raster


def _contours(hits: _Hits, camera: Camera, raster: IndexArray) -> BoolArray:
    axis = camera.axes[2].astype(np.float32)
    depth, facing = hits.places @ axis, np.maximum(np.abs(hits.normals @ axis), 0.08)
    step = camera.mm_per_pixel / OVERSAMPLING
    line = np.zeros(len(depth), bool)
    for down, right in ((1, 0), (0, 1)):
        other = raster[hits.row + TILE - down, hits.column + TILE - right]
        slope = step / np.minimum(facing, facing[other])
        jump = np.abs(depth - depth[other]) > 4 * slope + 2 * step
        bend = (hits.normals * hits.normals[other]).sum(axis=1) < 0.5
        line |= (other >= 0) & (jump | bend)
    return line


def _tile_means(
    values: tuple[Image, Image],
    raster: IndexArray,
    row: IndexArray,
    column: IndexArray,
    depth: FloatArray,
    normals: Image,
    near_mm: float,
) -> tuple[Image, Image]:
    """Means over the tile of pixels around each, of those on the same piece of surface."""
    depth = depth.astype(np.float32)
    totals = tuple(np.zeros_like(value) for value in values)
    weight = np.zeros(len(row), np.float32)
    for down in range(-TILE // 2, TILE // 2):
        for right in range(-TILE // 2, TILE // 2):
            other = raster[row + TILE + down, column + TILE + right]
            same = (other >= 0) & (np.abs(depth[other] - depth) < near_mm)
            same &= (normals[other] * normals).sum(axis=1) > 0.8
            weight += same
            for total, value in zip(totals, values, strict=True):
                total += np.where(same, value[other], 0)
    return totals[0] / weight, totals[1] / weight


def _normals(vertices: FloatArray, faces: IndexArray) -> tuple[Image, Image]:
    """(m, 3) unit normals of the faces, and (m, 3, 3) of their corners.

    A corner's normal is the area-weighted mean over those faces around the vertex that bend gently against its own
    face: smooth where the part is smooth, sharp at its edges.
    """
    vectors = face_vectors(vertices, faces)
    flat = _unit(vectors).astype(np.float32)
    corners = np.repeat(flat, 3, axis=0)
    order = ascending(faces.reshape(-1))[0]
    around = np.bincount(faces.reshape(-1), minlength=len(vertices))
    first = np.cumsum(around) - around
    vectors = vectors.astype(np.float32)
    for start in range(0, len(order), CORNERS):
        mine = order[start : start + CORNERS]
        vertex = faces.reshape(-1)[mine]
        count = np.where(around[vertex] > MOST_AROUND, 0, around[vertex])
        pair = np.repeat(np.arange(len(mine)), count)
        step = np.arange(len(pair)) - np.repeat(np.cumsum(count) - count, count)
        other = order[first[vertex[pair]] + step] // 3
        gentle = np.einsum("ni,ni->n", flat[mine[pair] // 3], flat[other]) > CREASE_COS
        pair, other = pair[gentle], other[gentle]
        total = [np.bincount(pair, weights=vectors[other, axis], minlength=len(mine)) for axis in range(3)]
        smooth = _unit(np.stack(total, axis=1)).astype(np.float32)
        corners[mine] = np.where(count[:, None] > 0, smooth, corners[mine])
    return flat, corners.reshape(-1, 3, 3)


def _unit(vectors: NDArray[Any]) -> NDArray[Any]:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    unit: NDArray[Any] = vectors / np.maximum(length, np.finfo(np.float32).tiny)
    return unit


def _frames(normals: Image) -> Image:
    """(n, 3, 3) rows: two tangents and the normal (Duff et al. 2017)."""
    x, y, z = normals.T
    sign = np.where(z >= 0, np.float32(1), np.float32(-1))
    a = -1 / (sign + z)
    b = x * y * a
    tangent = np.stack([1 + sign * x * x * a, sign * b, -sign * x], axis=1)
    bitangent = np.stack([b, sign + y * y * a, -y], axis=1)
    return np.stack([tangent, bitangent, normals], axis=1)


def _hemisphere_pattern() -> Image:
    """(TILE^2, SKY_RAYS, 3) directions about +z with cosine density: a Fibonacci spiral dealt out to the pixels."""
    count = TILE**2 * SKY_RAYS
    k = np.arange(count)
    radius = np.sqrt((k + 0.5) / count)
    angle = k * np.pi * (3 - np.sqrt(5))
    spiral = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.sqrt(1 - radius**2)], axis=1)
    return spiral.reshape(SKY_RAYS, TILE**2, 3).transpose(1, 0, 2).astype(np.float32)


def _lamp_pattern(camera: Camera) -> Image:
    """(TILE^2, 3) directions to points of a lamp that is not a point."""
    k = np.arange(TILE**2)
    radius, angle = LAMP_SPREAD * np.sqrt((k + 0.5) / TILE**2), k * np.pi * (3 - np.sqrt(5))
    frame = _frames(LAMP[None].astype(np.float32))[0]
    offset = radius[:, None] * (np.cos(angle)[:, None] * frame[0] + np.sin(angle)[:, None] * frame[1])
    return (_unit(LAMP + offset) @ camera.axes).astype(np.float32)
