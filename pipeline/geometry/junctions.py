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
from pipeline.geometry.rims import SHARE, Rim, painted
from pipeline.geometry.wall_pieces import meeting, outside_of, reaching, ring, with_pieces
from pipeline.part import Mesh


def with_junctions(mesh: Mesh, rims: Sequence[Rim], cell: float) -> tuple[Mesh, list[Hole]]:
    """The mesh with the walls of bores that meet as pieces of their own, and the openings between which they lie.

    Parameters
    ----------
    mesh : oriented outwards
    rims : of openings of the mesh that nothing else closes
    cell : length of the mesh's edges, millimetres
    """
    in_bores = [rim for rim in rims if rim.walls and rim.walls[0].faces < 0]
    pieces: list[tuple[tuple[Hole, ...], Mesh]] = []
    for rim in in_bores:
        if rim.goes_round and not any(rim.hole in ends for ends, _ in pieces):
            ends, piece = _onwards(rim, in_bores, cell)
            if len(piece.faces):
                pieces.append((ends, painted(piece, rim, mesh)))
    mesh, met = with_pieces(mesh, pieces, cell)
    return mesh, list(chain(*met))


def _onwards(rim: Rim, rims: Sequence[Rim], cell: float) -> tuple[tuple[Hole, ...], Mesh]:
    """The wall about which a rim goes, from there to where it meets others, and the openings that it joins.

    To the rim about it on the other side of these, if there is one. Without faces where it meets none.
    """
    wall, walls = rim.walls[0], list(chain(*(other.walls for other in rims)))
    axis = -np.sign(rim.hole.axis @ wall.shape.axis) * wall.shape.axis  # into what was not seen
    start = float(((rim.places[rim.on(wall, cell)] - wall.shape.centre) @ axis).min())
    meets = [at for other in walls if (at := meeting(wall, other, axis)) is not None and at > start]
    ends: tuple[Hole, ...] = (rim.hole,)
    rim_places = rim.places
    stop = max(meets, default=start)
    for other in rims if meets else ():
        if other.goes_round and other.hole.axis @ axis > 0 and other.on(wall, cell).mean() > SHARE:
            there = float(((other.places - wall.shape.centre) @ axis).max())
            if there > stop:
                ends, stop = (rim.hole, other.hole), there
                rim_places = np.vstack([rim.places, other.places])
    piece = outside_of(ring(wall, axis, start, stop, cell), wall, walls, cell)
    return ends, reaching(piece, rim_places, cell)
