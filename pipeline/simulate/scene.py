"""A part on the bench and everything around it, as triangles that each know what they belong to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.part import FloatArray, IndexArray, Mesh, frozen_array
from pipeline.simulate import clutter
from pipeline.simulate.poses import rigid, settled, turn_up
from pipeline.simulate.rays import RayCaster
from pipeline.simulate.solids import box, cylinder, mesh_of

LabelArray = NDArray[np.uint8]


class Label(IntEnum):
    """What a point or triangle belongs to."""

    PART = 0
    TABLE = 1
    RISER = 2
    PAPER = 3
    CLOTH = 4
    WALL = 5
    HAND = 6
    OTHER = 7
    FLYING = 8
    STRAY = 9


@dataclass(frozen=True, eq=False, slots=True)
class Geometry:
    """The triangles of a scene; z is up and the table's top is z = 0.

    Attributes
    ----------
    vertices : (n, 3) float64, millimetres
    faces : (m, 3) int32
    labels : (m,) uint8, one ``Label`` per triangle
    scene_from_part : (4, 4) float64
    centre, radius : of a ball around the part
    """

    vertices: FloatArray
    faces: IndexArray
    labels: LabelArray
    scene_from_part: FloatArray
    centre: FloatArray
    radius: float


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Scene:
    """What stands and lies on the bench.

    Attributes
    ----------
    part : the closed truth mesh
    up : direction of the part's frame that looks up
    spin_deg : turn about the vertical
    settle : let the part come to rest on the nearest stable facet (else it stands as told, as if propped)
    riser : what the part stands on; a block is a little smaller than the part, a column much thinner
    riser_height_mm : height of the riser
    paper : crumpled sheets lying apart, heaped against the part, or covering the whole table
    cloth : a cloth covers the table
    table : whole, ending close to the part on one side, or none
    wall : an upright board behind the part
    hand : a hand touches the part
    second : another thing that stands beside the part; ``second_touching`` pushes it against the part
    seed : for everything drawn by chance
    """

    part: Mesh
    up: tuple[float, float, float] = (0, 0, 1)
    spin_deg: float = 0.0
    settle: bool = True
    riser: Literal["none", "block", "column"] = "none"
    riser_height_mm: float = 40.0
    paper: Literal["none", "free", "touching", "covering"] = "none"
    cloth: bool = False
    table: Literal["full", "partial", "none"] = "full"
    wall: bool = False
    hand: bool = False
    second: Mesh | None = None
    second_touching: bool = False
    seed: int = 0

    def build(self) -> Geometry:
        """All triangles of the scene."""
        return _Builder(self).build()


class _Builder:
    """Puts one scene together; things are added in the order in which they come to the bench."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.rng = np.random.default_rng([scene.seed, 20])
        self.things: list[tuple[FloatArray, IndexArray, Label]] = []
        up = settled(scene.part, scene.up) if scene.settle else np.asarray(scene.up, float)
        self.turn = turn_up(up, scene.spin_deg)
        standing = scene.part.vertices @ self.turn.T
        self.low, self.high = standing.min(axis=0), standing.max(axis=0)
        self.shift = -np.array([*(self.low + self.high)[:2] / 2, self.low[2]])
        self.size = self.high - self.low
        self.reach = float(np.linalg.norm(self.size[:2])) / 2
        self.diagonal = float(np.linalg.norm(self.size))

    def build(self) -> Geometry:
        scene = self.scene
        self._lay_table()
        ground = self._cover_table()
        lift = ground + (scene.riser_height_mm if scene.riser != "none" else 0.0)
        self.shift[2] += lift
        part = scene.part.vertices @ self.turn.T + self.shift
        self._add(part, scene.part.faces, Label.PART)
        self.part_rays = RayCaster(part, scene.part.faces)
        self._put_riser(part, ground, lift)
        self._put_paper(lift)
        if scene.wall:
            wall = box(
                (6 * self.diagonal, 20, 3 * self.diagonal),
                (0, self.reach + 0.35 * self.diagonal + 10, 1.4 * self.diagonal),
            )
            self._add_mesh(mesh_of(wall), Label.WALL)
        if scene.second is not None:
            self._put_second(scene.second, part)
        if scene.hand:
            self._put_hand(part)
        return self._geometry(part)

    def _lay_table(self) -> None:
        if self.scene.table == "none":
            return
        side = 6 * max(self.diagonal, 100.0)
        edge = side / 2 if self.scene.table == "full" else self.reach + 0.08 * self.diagonal
        self._add_mesh(mesh_of(box((side / 2 + edge, side, 25), ((edge - side / 2) / 2, 0, -12.5))), Label.TABLE)

    def _cover_table(self) -> float:
        """Cloth or paper over everything; how high the part then stands."""
        side = 3.2 * max(self.diagonal, 100.0)
        if self.scene.cloth:
            cover, label = clutter.cloth(side, 0.02 * self.diagonal + 2, self.rng), Label.CLOTH
        elif self.scene.paper == "covering":
            cover, label = self._spread_paper(1.3 * side), Label.PAPER
        else:
            return 0.0
        self._add_mesh(cover, label)
        under = (np.abs(cover.vertices[:, :2]) < self.size[:2] / 2).all(axis=1)
        return float(np.quantile(cover.vertices[under, 2], 0.75))

    def _spread_paper(self, side: float) -> Mesh:
        return clutter.crumpled(side, 0.08 * self.diagonal + 3, self.rng, crease=0.7 * self.diagonal, cells=320)

    def _put_riser(self, part: FloatArray, ground: float, lift: float) -> None:
        if self.scene.riser == "none":
            return
        contact = part[part[:, 2] < lift + 0.5]
        middle = (contact.min(axis=0) + contact.max(axis=0))[:2] / 2
        if self.scene.riser == "block":
            size = np.maximum(0.7 * self.size[:2], 12.0)
            riser = box((*size, lift), (*middle, lift / 2))
        else:
            nearest = contact[np.argmin(np.linalg.norm(contact[:, :2] - middle, axis=1))]
            riser = cylinder(float(np.clip(0.12 * self.diagonal, 6, 20)), lift).translate((*nearest[:2], 0))
        self._add_mesh(mesh_of(riser), Label.RISER)

    def _put_paper(self, lift: float) -> None:
        if self.scene.paper not in ("free", "touching"):
            return
        start, count = self.rng.uniform(0, 2 * np.pi), int(self.rng.integers(3, 6))
        for k in range(count):
            angle = start + 2 * np.pi * (k + self.rng.uniform(-0.2, 0.2)) / count
            way = np.array([np.cos(angle), np.sin(angle)])
            size = self.rng.uniform(0.5, 0.8) * max(self.diagonal, 90.0)
            rim = self._rim(way)
            if self.scene.paper == "free":
                height = self.rng.uniform(0.15, 0.3) * size
                at = way * (self.reach + 0.55 * size + 0.1 * self.diagonal)
            else:
                height = lift + self.rng.uniform(0.2, 0.45) * self.size[2]
                size = max(size, 1.2 * height)
                at = way * (rim + 0.25 * size)
            heap = clutter.crumpled(size, float(height), self.rng)
            self._add(heap.vertices + np.array([*at, 0]), heap.faces, Label.PAPER)

    def _rim(self, way: FloatArray) -> float:
        """How far the part's outline box reaches along a level direction."""
        return float(min(self.size[k] / 2 / max(abs(way[k]), 1e-6) for k in range(2)))

    def _put_second(self, second: Mesh, part: FloatArray) -> None:
        angle = self.rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(angle), np.sin(angle), 0])
        standing = second.vertices - [*second.vertices[:, :2].mean(axis=0), second.vertices[:, 2].min()]
        far = 2 * self.reach + np.linalg.norm(standing[:, :2], axis=1).max() + 50
        standing = standing + far * way
        there = RayCaster(standing, second.faces)
        gap = min(
            self.part_rays.cast(standing, np.broadcast_to(-way, standing.shape))[0].min(),
            there.cast(part, np.broadcast_to(way, part.shape))[0].min(),
        )
        if not np.isfinite(gap):  # it stands lower than the part floats: as close as their outlines allow
            gap = far - self.reach
        self._add(standing - way * (gap - (0 if self.scene.second_touching else 12)), second.faces, Label.OTHER)

    def _put_hand(self, part: FloatArray) -> None:
        angle = self.rng.uniform(0, 2 * np.pi)
        inward = -np.array([np.cos(angle), np.sin(angle), 0])
        side = np.cross([0, 0, 1.0], inward)
        level = part[:, 2].min() + self.rng.uniform(0.55, 0.8) * self.size[2]
        width = min(18.0, 0.2 * float(np.ptp(part @ side)))
        start = np.array([k * width * side for k in (-1.5, -0.5, 0.5, 1.5, -1.8)]) - 3 * self.reach * inward
        start[:, 2] = level + np.array([0, 2, 2, 0, -18])
        distance, _, _ = self.part_rays.cast(start, np.broadcast_to(inward, start.shape))
        touching = np.where(
            np.isfinite(distance), distance, np.min(distance, initial=3 * self.reach, where=np.isfinite(distance))
        )
        tips = start + (touching - np.array([7.0, 7.0, 7.0, 7.0, 8.0]))[:, None] * inward
        self._add_mesh(clutter.hand(tips, inward), Label.HAND)

    def _add_mesh(self, mesh: Mesh, label: Label) -> None:
        self._add(mesh.vertices, mesh.faces, label)

    def _add(self, vertices: FloatArray, faces: IndexArray, label: Label) -> None:
        self.things.append((vertices, faces, label))

    def _geometry(self, part: FloatArray) -> Geometry:
        offsets = np.cumsum([0, *(len(vertices) for vertices, _, _ in self.things)])
        centre = (part.min(axis=0) + part.max(axis=0)) / 2
        return Geometry(
            vertices=frozen_array(np.vstack([v for v, _, _ in self.things]), np.float64),
            faces=frozen_array(
                np.vstack([f + o for (_, f, _), o in zip(self.things, offsets, strict=False)]), np.int32
            ),
            labels=frozen_array(np.concatenate([np.full(len(f), label) for _, f, label in self.things]), np.uint8),
            scene_from_part=frozen_array(rigid(self.turn, self.shift), np.float64),
            centre=centre,
            radius=float(np.linalg.norm(part - centre, axis=1).max()),
        )
