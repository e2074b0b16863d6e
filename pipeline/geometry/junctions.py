"""Bores that meet where nobody saw it: each goes on into the others.

A scanner looks a diameter or two into each mouth of a pipe's tee, and the rims of what it saw go round their bores.
One such rim alone may be that of a blind end. Where the axis of its bore passes through that of another, on whose wall
a rim lies as well, the wall goes on to there (common practice, no source). That is a guess, as every filling is.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

import numpy as np

from pipeline.geometry.holes import Hole
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import mean_cell
from pipeline.geometry.rims import SHARE, Rim, painted, rims_on_walls
from pipeline.geometry.round_walls import Wall
from pipeline.geometry.wall_pieces import meeting, outside_of, reaching, ring, with_pieces
from pipeline.part import Mesh


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
    meets = [at for other in walls if (at := meeting(wall, other, axis)) is not None and at > start.min()]
    ends: tuple[Hole, ...] = (rim.hole,)
    stop = max(meets, default=float(start.min()))
    across = [other for other in rims if other.goes_round and other.hole.axis @ axis > 0 and other is not rim]
    for other in across:
        if other.on(wall, cell).mean() > SHARE:
            there = (other.places - wall.shape.centre) @ axis
            if meets and there.max() > stop:
                ends, stop = (rim.hole, other.hole), float(there.max())
    piece = ring(wall, axis, float(start.min()), stop, cell)
    return painted(reaching(outside_of(piece, wall, walls, cell), rim.places, cell), rim, mesh), ends
