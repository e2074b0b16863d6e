"""Guessed walls laid beside a mesh, as pieces of their own that closing joins to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.deviation import Surface
from pipeline.geometry.edges import edges_of, face_components, one_row_more, touching
from pipeline.geometry.facing import upright_axes
from pipeline.geometry.repair import together, without_faces
from pipeline.geometry.round_walls import Wall
from pipeline.geometry.self_intersection import crossed_faces
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh

Opening = TypeVar("Opening")

CLEAR_CELLS = 0.9
"""So far from what was seen a wall ends; it begins a cell off the rims."""
APART_CELLS, ASKEW = 0.5, 0.9
"""Where walls pass into one another, their axes askew by more than this cosine, each ends so many cells outside of the
other."""
BESIDE_CELLS = 2.5
"""A piece of a wall begins within so many cells of that part of the rim that lies on this wall alone: beyond the bore
into which it opens, a bore has no wall."""
CUT_SHARE = 0.05
"""Share of a wall's faces that may pass through what was seen, and are left out."""
MISSES = 0.5
"""Axes that pass one another by less than this share of the smaller radius meet."""


@dataclass(frozen=True, eq=False)
class Seen:
    """What was seen, with the walls that are laid beside it already; its surface is made once."""

    mesh: Mesh

    @cached_property
    def surface(self) -> Surface:
        return Surface(self.mesh.vertices, self.mesh.faces)


def meeting(wall: Wall, other: Wall, axis: FloatArray) -> float | None:
    """How far along a wall's axis it meets that of another, mm from its centre; None where it does not."""
    across = np.cross(axis, other.shape.axis)
    sine = float(np.linalg.norm(across))
    if sine**2 < 1 - ASKEW**2:
        return None
    apart = other.shape.centre - wall.shape.centre
    if abs(apart @ across) / sine > MISSES * min(wall.shape.radius, other.shape.radius):
        return None
    return float(np.cross(apart, other.shape.axis) @ across) / sine**2


def ring(wall: Wall, axis: FloatArray, start_mm: float, stop_mm: float, cell: float) -> Mesh:
    """A wall all round in triangles of a cell, between two places along its axis from its centre."""
    radius = wall.shape.radius
    turns, rows = max(8, round(2 * np.pi * radius / cell)), max(0, round((stop_mm - start_mm) / cell))
    angle, height = 2 * np.pi * np.arange(turns) / turns, np.linspace(start_mm, stop_mm, rows + 1)
    up, turn = (each.ravel() for each in np.meshgrid(height, angle, indexing="ij"))
    local = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), up])
    faces = rows_of_faces(rows, np.ones(turns, bool))
    places = local @ upright_axes(axis) + wall.shape.centre
    return Mesh(places, faces if wall.faces < 0 else faces[:, ::-1])


def rows_of_faces(rows: int, columns: BoolArray) -> IndexArray:
    """Two triangles to each place of a grid that closes all round, facing inwards; only in the chosen columns."""
    count = len(columns)
    row, column = np.meshgrid(np.arange(rows), np.flatnonzero(columns), indexing="ij")
    after = (column + 1) % count
    a, b = row * count + column, row * count + after
    c, d = (row + 1) * count + column, (row + 1) * count + after
    faces = np.stack([np.stack([a, c, b], axis=-1), np.stack([b, c, d], axis=-1)], axis=-2)
    return faces.reshape(-1, 3).astype(np.int32)


def outside_of(piece: Mesh, wall: Wall, others: Sequence[Wall], cell: float) -> Mesh:
    """A piece of a wall without what lies inside of others that pass into it."""
    for other in others:
        if other.faces == wall.faces and abs(other.shape.axis @ wall.shape.axis) < ASKEW:
            inside = other.shape.distance(piece.vertices) < APART_CELLS * cell
            inside &= _goes_on(other, wall, piece.vertices)
            piece = without_faces(piece, touching(piece.faces, inside))
    return piece


def _goes_on(other: Wall, wall: Wall, places: FloatArray) -> BoolArray:
    """(n,) whether places (n, 3) lie to that side of a wall to which another that meets it goes on.

    A branch of which nothing was seen across the run's axis ends there, and the run has its wall on that side. To both
    sides where neither is known.
    """
    at = meeting(other, wall, other.shape.axis)
    if at is None:
        return np.ones(len(places), bool)
    low, high = other.seen_mm
    down, up = low < at - wall.shape.radius, high > at + wall.shape.radius
    if not down and not up:
        return np.ones(len(places), bool)
    return np.where((places - other.shape.centre) @ other.shape.axis < at, down, up)


def beside(places: FloatArray, rim: FloatArray, cell: float) -> BoolArray:
    """(n,) which places (n, 3) lie beside those of a rim (k, 3)."""
    near: BoolArray = np.isfinite(cKDTree(rim).query(places, distance_upper_bound=BESIDE_CELLS * cell)[0])
    return near


def reaching(piece: Mesh, rim: FloatArray, cell: float) -> Mesh:
    """What of a piece hangs together with a place beside a rim (k, 3)."""
    if len(piece.faces) == 0 or len(rim) == 0:
        return without_faces(piece, np.ones(len(piece.faces), bool))
    near = beside(piece.vertices, rim, cell)
    part = face_components(piece.faces, edges_of(piece.faces))
    return without_faces(piece, ~np.isin(part, part[touching(piece.faces, near)]))


def with_pieces(seen: Seen, walls: Sequence[tuple[Opening, Mesh]], cell: float) -> tuple[Seen, list[Opening]]:
    """What was seen with those walls that cross nothing, and the openings that they close.

    Through a branch, or a window, of its middle a wall runs along what was seen: there it is left out.

    Parameters
    ----------
    walls : of each opening, the first ones first
    cell : length of the mesh's edges, millimetres
    """
    return laid(seen, [(opening, clear_of(seen, wall, cell)) for opening, wall in walls])


def clear_of(seen: Seen, wall: Mesh, cell: float) -> Mesh:
    """A wall without what lies along what was seen."""
    if len(wall.faces) == 0:
        return wall
    return without_faces(wall, touching(wall.faces, seen.surface.distance(wall.vertices) < CLEAR_CELLS * cell))


def laid(seen: Seen, walls: Sequence[tuple[Opening, Mesh]]) -> tuple[Seen, list[Opening]]:
    """The same of walls that are clear of what was seen; where a little of one passes through it, that is left out."""
    mesh, gone_on = seen.mesh, []
    for opening, wall in walls:
        if len(wall.faces) == 0:
            continue
        both, crossed = _together(mesh, wall)
        if 0 < np.count_nonzero(crossed) < CUT_SHARE * len(crossed):
            wall = without_faces(wall, one_row_more(wall.faces, one_row_more(wall.faces, crossed)))
            both, crossed = _together(mesh, wall)
        if len(wall.faces) and not crossed.any():
            mesh = both
            gone_on.append(opening)
    return (Seen(mesh) if gone_on else seen), gone_on


def _together(mesh: Mesh, wall: Mesh) -> tuple[Mesh, BoolArray]:
    """Both as one, and (k,) faces of the wall that pass through the mesh, or through one another."""
    both = together(mesh, wall)
    among = np.arange(len(both.faces)) >= len(mesh.faces)
    return both, crossed_faces(both.vertices, both.faces, among)[among]
