"""Bores that meet where nobody saw it: each goes on into the others.

A scanner looks a diameter or two into each mouth of a pipe's tee, and the rims of what it saw go round their bores.
One such rim alone may be that of a blind end. Where the axis of its bore passes through that of another, on whose wall
a rim lies as well, the wall goes on to there (common practice, no source). That is a guess, as every filling is.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

import numpy as np

from pipeline.geometry.facing import upright_axes
from pipeline.geometry.holes import Hole
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import mean_cell
from pipeline.geometry.rims import SHARE, Rim, painted, rims_on_walls
from pipeline.geometry.round_walls import Wall
from pipeline.geometry.wall_pieces import ASKEW, outside_of, reaching, with_pieces
from pipeline.part import FloatArray, Mesh

MISSES = 0.5
"""Axes that pass one another by less than this share of the smaller radius meet."""


def with_junctions(mesh: Mesh, holes: Sequence[Hole], around: Incidence) -> tuple[Mesh, list[Hole]]:
    """The mesh with the walls of bores that meet as pieces of their own, and the openings between which they lie.

    Parameters
    ----------
    mesh : oriented outwards
    holes : openings of the mesh that nothing else closes
    around : of the mesh; faces that were added to it since do not count
    """
    cell = mean_cell(mesh.vertices, mesh.faces)
    rims = [rim for rim in rims_on_walls(mesh, holes, around, cell) if rim.walls and rim.walls[0].faces < 0]
    walls = list(chain(*(rim.walls for rim in rims)))
    pieces: list[tuple[tuple[Hole, ...], Mesh]] = []
    for rim in rims:
        if rim.goes_round and not any(rim.hole in ends for ends, _ in pieces):
            piece, ends = _onwards(mesh, rim, rims, walls, cell)
            if len(piece.faces):
                pieces.append((ends, piece))
    mesh, met = with_pieces(mesh, pieces, cell)
    return mesh, list(chain(*met))


def _onwards(
    mesh: Mesh, rim: Rim, rims: Sequence[Rim], walls: Sequence[Wall], cell: float
) -> tuple[Mesh, tuple[Hole, ...]]:
    """The wall about which a rim goes, from there to where it meets others, and the openings that it joins.

    To the rim about it on the other side of these, if there is one. Without faces where it meets none.
    """
    wall = rim.walls[0]
    axis = -np.sign(rim.hole.axis @ wall.shape.axis) * wall.shape.axis  # into what was not seen
    start = (rim.places[rim.on(wall, cell)] - wall.shape.centre) @ axis
    meets = [at for other in walls if (at := _meeting(wall, other, axis)) is not None and at > start.min()]
    ends: tuple[Hole, ...] = (rim.hole,)
    stop = max(meets, default=float(start.min()))
    across = [other for other in rims if other.goes_round and other.hole.axis @ axis > 0 and other is not rim]
    for other in across:
        if other.on(wall, cell).mean() > SHARE:
            there = (other.places - wall.shape.centre) @ axis
            if meets and there.max() > stop:
                ends, stop = (rim.hole, other.hole), float(there.max())
    piece = _ring(wall, axis, float(start.min()), stop, cell)
    return painted(reaching(outside_of(piece, wall, walls, cell), rim.places, cell), rim, mesh), ends


def _meeting(wall: Wall, other: Wall, axis: FloatArray) -> float | None:
    """How far along a wall's axis it meets that of another, mm from its centre; None where it does not."""
    across = np.cross(axis, other.shape.axis)
    sine = float(np.linalg.norm(across))
    if sine**2 < 1 - ASKEW**2:
        return None
    apart = other.shape.centre - wall.shape.centre
    if abs(apart @ across) / sine > MISSES * min(wall.shape.radius, other.shape.radius):
        return None
    return float(np.cross(apart, other.shape.axis) @ across) / sine**2


def _ring(wall: Wall, axis: FloatArray, start_mm: float, stop_mm: float, cell: float) -> Mesh:
    """A bore's wall all round in triangles of a cell, between two places along an axis from its centre."""
    radius, frame = wall.shape.radius, upright_axes(axis)
    turns, rows = max(8, round(2 * np.pi * radius / cell)), round((stop_mm - start_mm) / cell)
    if rows < 1:
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    angle, height = 2 * np.pi * np.arange(turns) / turns, np.linspace(start_mm, stop_mm, rows + 1)
    turn, up = (each.ravel() for each in np.meshgrid(angle, height, indexing="ij"))
    places = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), up]) @ frame + wall.shape.centre
    i, j = (each.ravel() for each in np.meshgrid(np.arange(turns), np.arange(rows), indexing="ij"))
    a, b = i * (rows + 1) + j, (i + 1) % turns * (rows + 1) + j
    faces = np.concatenate([np.column_stack([a, b + 1, b]), np.column_stack([a, a + 1, b + 1])]).astype(np.int32)
    return Mesh(places, faces)
