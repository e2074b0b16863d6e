"""Round walls that were seen in pieces, where one wide opening runs from them over other surfaces as well.

Of a thin pipe laid on paper the rim of what was not seen may run along the bore, over a mouth and back outside: it is
no opening in a wall. But where walls were seen on several sides they are known, and what is missing of them, as far
along as they were seen, lies on them as well, if it ends at the rim all round. At a groove, or a rounded edge, the rest
of the cylinder ends at surface that goes on another way: there nothing is missing. A guess, as every filling is.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

import numpy as np

from pipeline.geometry.boundary import on_border, open_halves
from pipeline.geometry.edges import edges_of, face_components
from pipeline.geometry.holes import Hole
from pipeline.geometry.repair import without_faces
from pipeline.geometry.rims import Rim, painted
from pipeline.geometry.round_walls import Wall
from pipeline.geometry.vectors import length
from pipeline.geometry.wall_pieces import BESIDE_CELLS, Seen, beside, clear_of, laid, meeting, outside_of, ring
from pipeline.geometry.windows import leads_through
from pipeline.part import Mesh

AT_CELLS, ENDS_AT_RIM, FEWEST = 1.0, 0.9, 30
"""Of the border of a missing piece that lies beside what was seen, so much must lie beside that part of a rim which is
within so many cells of the wall; other openings, as that of a bore that ends in the wall, do not count. An implicit
surface spans well enough what has fewer faces."""


def with_torn_walls(seen: Seen, rims: Sequence[Rim], cell: float) -> tuple[Seen, list[tuple[Hole, ...]]]:
    """What was seen with what is missing of its round walls as pieces of their own; and openings that a piece joins.

    Parameters
    ----------
    seen : oriented outwards, with the walls that were guessed already
    rims : of its openings that no patch closes
    cell : length of the mesh's edges, millimetres
    """
    known = list(dict.fromkeys(wall for rim in rims for wall in rim.touched))
    rims = [rim for rim in rims if not (rim.walls and leads_through(rim, rims, cell))]
    pieces: list[tuple[list[tuple[Hole, ...]], Mesh]] = []
    for wall in known:
        about = [rim for rim in rims if wall in rim.touched]
        if about:
            piece = outside_of(ring(wall, wall.shape.axis, *_range(wall, about, known, cell), cell), wall, known, cell)
            others = [rim for rim in rims if rim not in about]
            piece, joined = _missing(clear_of(seen, piece, cell), wall, about, others, seen, cell)
            if joined:
                pieces.append((joined, painted(piece, about[0], seen.mesh)))
    seen, joined_by_each = laid(seen, pieces)
    return seen, list(chain(*joined_by_each))


def _range(wall: Wall, about: Sequence[Rim], known: Sequence[Wall], cell: float) -> tuple[float, float]:
    """From where to where a wall goes along its axis, mm from its centre.

    As far as it was seen; as far as the axis of another that opens there; and from a rim that goes round it, as a bore
    that goes on, as far as the axis of the first that it meets.
    """
    heights = np.concatenate([wall.seen_mm, *(rim.along(wall, cell) for rim in about)])
    heights = heights[np.isfinite(heights)]
    ends = [float(heights.min()), float(heights.max())]
    meets = [
        (at, other.shape.radius)
        for other in known
        if other.faces == wall.faces and (at := meeting(wall, other, wall.shape.axis)) is not None
    ]
    ends += [at for at, radius in meets if ends[0] - radius < at < ends[1] + radius]
    for rim in about:
        if rim.goes_round(wall):
            way = rim.way_in(wall)
            start = (way * rim.along(wall, cell)).min()
            onwards = [way * at for at, _ in meets if way * at > start]
            ends += [way * min(onwards)] if onwards else []
    return min(ends), max(ends)


def _missing(
    piece: Mesh, wall: Wall, about: Sequence[Rim], others: Sequence[Rim], seen: Seen, cell: float
) -> tuple[Mesh, list[tuple[Hole, ...]]]:
    """Those parts of a piece that end at rims, where they end beside what was seen; and the openings about each."""
    part = face_components(piece.faces, edges_of(piece.faces))
    count = np.bincount(part)
    ends = np.flatnonzero(on_border(piece.faces, open_halves(piece.faces), len(piece.vertices)))
    of = np.zeros(len(piece.vertices), np.int64)
    of[piece.faces] = part[:, None]
    at_wall = [rim.places[np.abs(wall.height(rim.places)[0]) < AT_CELLS * cell] for rim in about]
    at_each = [beside(piece.vertices[ends], places, cell) for places in at_wall]
    at_rim = np.any(at_each, axis=0)
    nearest, weights = seen.surface.nearest(piece.vertices[ends])
    away = length(piece.vertices[ends] - seen.surface.places(nearest, weights))
    elsewhere = ~at_rim & ~seen.mesh.filled[nearest] & (away < BESIDE_CELLS * cell)
    for rim in others:
        elsewhere &= ~beside(piece.vertices[ends], rim.places, cell)
    good, other = (np.bincount(of[ends[which]], minlength=len(count)) for which in (at_rim, elsewhere))
    chosen = (count >= FEWEST) & (good > 0) & (good >= ENDS_AT_RIM * (good + other))
    joined = [
        tuple(rim.hole for rim, which in zip(about, at_each, strict=True) if (of[ends[which]] == number).any())
        for number in np.flatnonzero(chosen)
    ]
    return without_faces(piece, ~chosen[part]), joined
