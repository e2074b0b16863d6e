"""Bores that go on where nobody saw it: into others that they meet, and to what was seen of their wall.

A scanner looks a diameter or two into each mouth of a pipe's tee, and the rims of what it saw go round their bores.
One such rim alone may be that of a blind end. Where the axis of its bore passes through that of another, on whose wall
a rim lies as well, the wall goes on to there (common practice, no source); and so it does to a piece of it that was
seen through another opening. That is a guess, as every filling is.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

import numpy as np

from pipeline.geometry.holes import Hole
from pipeline.geometry.outline import signed_area
from pipeline.geometry.rims import Rim, painted, walls_of
from pipeline.geometry.round_walls import Wall
from pipeline.geometry.wall_pieces import Seen, meeting, outside_of, reaching, ring, with_pieces
from pipeline.part import FloatArray, Mesh

Mouth = tuple[Rim, Wall]
"""A rim, and the wall about which it goes."""


def with_junctions(seen: Seen, rims: Sequence[Rim], cell: float) -> tuple[Seen, list[Hole]]:
    """What was seen with the walls of bores that go on as pieces of their own; the openings where these begin and end.

    Parameters
    ----------
    seen : oriented outwards
    rims : of its openings that nothing else closes
    cell : length of the mesh's edges, millimetres
    """
    mouths = [(rim, wall) for rim in rims for wall in rim.walls if wall.faces < 0 and rim.goes_round(wall)]
    walls = [wall for wall in walls_of(rims) if wall.faces < 0]
    pieces: list[tuple[tuple[Hole, ...], Mesh]] = []
    joined: list[Mouth] = []
    for mouth in mouths:
        if mouth not in joined:
            ends, piece = _onwards(mouth, mouths, rims, walls, cell)
            if len(piece.faces):
                joined += ends
                pieces.append((tuple(rim.hole for rim, _ in ends), painted(piece, mouth[0], seen.mesh)))
    seen, met = with_pieces(seen, pieces, cell)
    return seen, list(dict.fromkeys(chain(*met)))


def _onwards(
    mouth: Mouth, mouths: Sequence[Mouth], rims: Sequence[Rim], walls: Sequence[Wall], cell: float
) -> tuple[list[Mouth], Mesh]:
    """The wall about which a rim goes, from there to where it first meets another, and the mouths that it joins.

    As far as the rim about it on the other side, if there is one, else as far as a piece of it that was seen. Without
    faces where it meets none and none was seen.
    """
    rim, wall = mouth
    way = rim.way_in(wall)
    axis = way * wall.shape.axis

    def along(other: Rim) -> FloatArray:
        return way * other.along(wall, cell)

    start = float(along(rim).min())
    meets = [at for other in walls if (at := meeting(wall, other, axis)) is not None and at > start]
    seen = [far for other in rims if _is_piece_of(other, wall) and (far := float(along(other).max())) > start]
    ends, stop = [mouth], max(sorted(meets)[:1] + seen, default=start)
    across = [
        (float(along(other).max()), (other, wall))
        for other, about in mouths
        if about is wall and other is not rim and other.hole.axis @ axis > 0
    ]
    across = [pair for pair in across if pair[0] > start]
    if across and meets:
        stop, facing = min(across, key=lambda pair: pair[0])
        ends.append(facing)
    piece = outside_of(ring(wall, axis, start, stop, cell), wall, walls, cell)
    return ends, reaching(piece, np.concatenate([end.places for end, _ in ends]), cell)


def _is_piece_of(rim: Rim, wall: Wall) -> bool:
    """Whether a rim runs round a piece of a wall."""
    return wall in rim.walls and not rim.goes_round(wall) and signed_area(rim.unrolled(wall)) < 0
