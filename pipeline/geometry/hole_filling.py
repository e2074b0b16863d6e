"""Putting patches into a mesh, and taking those out again that pass through it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.boxes import Boxes
from pipeline.geometry.edges import edges_of
from pipeline.geometry.hole_patch import Patch, Shape, make_patches
from pipeline.geometry.hole_rim import Rim
from pipeline.geometry.holes import Hole
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.self_intersection import crossed_faces
from pipeline.part import FloatArray, LongArray, Mesh


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """A mesh with patches, the holes they closed, and the holes that could not be closed and why."""

    mesh: Mesh
    closed: tuple[Hole, ...]
    refused: tuple[tuple[Hole, str], ...]


def fill(mesh: Mesh, holes: Sequence[Hole], around: Incidence) -> Filled:
    """Close holes. A patch that passes through the surface is tried again in plainer shapes, then left out.

    Patches are tried all together first. Those that are in the way of something and near another patch are tried
    once more one by one, narrow holes first, because two patches may only be in one another's way.

    Parameters
    ----------
    mesh : its faces as ``around`` knows them
    holes : those to close
    """
    closed: list[tuple[Rim, Patch]] = []
    refused: list[tuple[Hole, str]] = []
    todo = [Rim(mesh, hole, around) for hole in sorted(holes, key=lambda hole: hole.diameter_mm)]
    nearby = Nearby(mesh)
    for shape in Shape:
        made = list(zip(todo, make_patches(mesh, todo, shape), strict=True))
        doubling = [rim.hole for rim, patch in made if patch is None]
        refused += [(hole, "its rim cannot be closed without a doubled edge") for hole in doubling]
        tried = [(rim, patch) for rim, patch in made if patch is not None]
        good = _passing(nearby.to([patch for _, patch in tried]), closed, tried)
        closed += [pair for pair, is_good in zip(tried, good, strict=True) if is_good]
        todo = []
        for pair in [pair for pair, is_good in zip(tried, good, strict=True) if not is_good]:
            in_company = any(_meet(mesh, pair[1], other) for _, other in tried if other is not pair[1])
            if in_company and _passing(nearby.to([pair[1]]), closed, [pair])[0]:
                closed.append(pair)
            else:
                todo.append(pair[0])
    refused += [(rim.hole, "a patch would pass through the surface") for rim in todo]
    return Filled(_with_patches(mesh, closed)[0], tuple(rim.hole for rim, _ in closed), tuple(refused))


class Nearby:
    """What of a mesh patches can be in the way of: faces whose boxes meet the box of one of them."""

    def __init__(self, mesh: Mesh) -> None:
        self._mesh = mesh
        self._boxes = Boxes(mesh.vertices, mesh.faces)

    def to(self, patches: Sequence[Patch]) -> Mesh:
        """The mesh with only the faces near the patches, those that share their rims among them."""
        near = np.zeros(len(self._mesh.faces), bool)
        for patch in patches:
            near[self._boxes.meeting(*_box(self._mesh, patch))] = True
        return Mesh(self._mesh.vertices, self._mesh.faces[near], self._mesh.filled[near], self._mesh.colours)


def _box(mesh: Mesh, patch: Patch) -> tuple[FloatArray, FloatArray]:
    places = np.concatenate([mesh.vertices[patch.rim], patch.inner])
    return places.min(axis=0), places.max(axis=0)


def _meet(mesh: Mesh, one: Patch, other: Patch) -> bool:
    """Whether two patches may be in one another's way."""
    (low, high), (other_low, other_high) = _box(mesh, one), _box(mesh, other)
    return bool(((low <= other_high) & (high >= other_low)).all())


def _passing(mesh: Mesh, before: list[tuple[Rim, Patch]], tried: list[tuple[Rim, Patch]]) -> list[bool]:
    """Which of the tried patches neither pass through anything nor double an edge."""
    if not tried:
        return []
    both, owner = _with_patches(mesh, before + tried)
    among = owner >= len(before)
    crossed = crossed_faces(both.vertices, both.faces, among)
    bad = set(owner[crossed & among].tolist()) | _doubling(both, owner)
    return [len(before) + number not in bad for number in range(len(tried))]


def _doubling(mesh: Mesh, owner: LongArray) -> set[int]:
    """Patches that share an edge with more than one other face."""
    edges = edges_of(mesh.faces)
    crowded = (edges.faces_count > 2)[edges.of_half].reshape(-1, 3).any(axis=1)
    return set(owner[crowded & (owner >= 0)].tolist())


def _with_patches(mesh: Mesh, patches: Sequence[tuple[Rim, Patch]]) -> tuple[Mesh, LongArray]:
    """The mesh with all patches, and the number of the patch of each face, -1 for the mesh's own."""
    vertices, faces = [mesh.vertices], [mesh.faces]
    colours = [] if mesh.colours is None else [mesh.colours]
    owner = [np.full(len(mesh.faces), -1, np.int64)]
    total = len(mesh.vertices)
    for number, (_, patch) in enumerate(patches):
        where = np.concatenate([patch.rim, total + np.arange(len(patch.inner), dtype=np.int32)])
        vertices.append(patch.inner)
        faces.append(where[patch.faces])
        if patch.colours is not None:
            colours.append(patch.colours)
        owner.append(np.full(len(patch.faces), number, np.int64))
        total += len(patch.inner)
    owners = np.concatenate(owner)
    filled = np.concatenate([mesh.filled, np.ones(len(owners) - len(mesh.faces), bool)])
    colour = None if mesh.colours is None else np.concatenate(colours)
    return Mesh(np.concatenate(vertices), np.concatenate(faces), filled, colour), owners
