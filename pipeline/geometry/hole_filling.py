"""Putting patches into a mesh, and taking those out again that pass through it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.edges import LongArray, edges_of
from pipeline.geometry.hole_patch import Patch, Shape, make_patch
from pipeline.geometry.holes import Hole, Surroundings
from pipeline.geometry.self_intersection import crossed_faces
from pipeline.part import Mesh


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """A mesh with patches, the holes they closed, and the holes that could not be closed and why."""

    mesh: Mesh
    closed: tuple[Hole, ...]
    refused: tuple[tuple[Hole, str], ...]


def fill(mesh: Mesh, holes: Sequence[Hole], around: Surroundings) -> Filled:
    """Close holes. A patch that passes through the surface is tried again in plainer shapes, then left out.

    Patches are tried all together first, and those that are in the way of something once more one by one,
    narrow holes first, because two patches may only be in one another's way.

    Parameters
    ----------
    mesh : its faces as ``around`` knows them
    holes : those to close
    """
    closed: list[tuple[Hole, Patch]] = []
    refused: list[tuple[Hole, str]] = []
    todo = sorted(holes, key=lambda hole: hole.diameter_mm)
    for shape in Shape:
        made = [(hole, make_patch(mesh, hole, around, shape)) for hole in todo]
        refused += [(hole, "its rim cannot be closed without a doubled edge") for hole, patch in made if patch is None]
        tried = [(hole, patch) for hole, patch in made if patch is not None]
        good = _passing(mesh, closed, tried)
        closed += [pair for pair, is_good in zip(tried, good, strict=True) if is_good]
        todo = []
        for pair in [pair for pair, is_good in zip(tried, good, strict=True) if not is_good]:
            if _passing(mesh, closed, [pair])[0]:
                closed.append(pair)
            else:
                todo.append(pair[0])
    refused += [(hole, "a patch would pass through the surface") for hole in todo]
    return Filled(_with_patches(mesh, closed)[0], tuple(hole for hole, _ in closed), tuple(refused))


def _passing(mesh: Mesh, before: list[tuple[Hole, Patch]], tried: list[tuple[Hole, Patch]]) -> list[bool]:
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


def _with_patches(mesh: Mesh, patches: Sequence[tuple[Hole, Patch]]) -> tuple[Mesh, LongArray]:
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
