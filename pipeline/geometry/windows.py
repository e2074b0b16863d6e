"""Openings in round walls, of which nobody saw all: the walls go on across them.

A patch or an implicit surface draws in across a wide opening as a soap film does, and shuts the bore that it lies in.
Where the whole rim lies on a cylinder, or on some that pass into one another, what is missing lies on them as well.
That is a guess, as every filling is.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.facing import upright_axes
from pipeline.geometry.holes import Hole
from pipeline.geometry.outline import signed_area
from pipeline.geometry.repair import together, used_only
from pipeline.geometry.rims import Rim, painted, walls_of
from pipeline.geometry.round_walls import Wall
from pipeline.geometry.wall_pieces import Seen, meeting, outside_of, reaching, ring, with_pieces
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh

NEAR_CELLS, SLOT = 2.0, 0.5
"""A rim is another surface's from so many cells off the wall on; it belongs to the same slot within so much of the
opening's width, where it is as wide as that."""


def with_windows(seen: Seen, rims: Sequence[Rim], cell: float) -> tuple[Seen, list[Hole]]:
    """What was seen with the missing pieces of its round walls as pieces of their own, and the openings they lie in.

    Parameters
    ----------
    seen : oriented outwards
    rims : of its openings that nothing else closes
    cell : length of the mesh's edges, millimetres
    """
    pieces: list[tuple[Hole, Mesh]] = []
    known = walls_of(rims)
    for rim in rims:
        if not rim.walls or leads_through(rim, rims, cell):
            continue
        piece = _across(seen.mesh, rim, known, cell)
        if piece is not None:
            pieces.append((rim.hole, piece))
    return with_pieces(seen, pieces, cell)


def leads_through(rim: Rim, rims: Sequence[Rim], cell: float) -> bool:
    """Whether another rim runs along that of an opening, on another surface: both are the ends of a slot."""
    wide = SLOT * rim.hole.diameter_mm
    others = [other.places for other in rims if other is not rim and other.hole.diameter_mm > wide]
    if not others:
        return False
    places = np.concatenate(others)
    walls = [wall for wall in walls_of(rims) if wall.faces == rim.walls[0].faces]
    off = np.min([np.abs(wall.height(places)[0]) for wall in walls], axis=0)
    places = places[off > NEAR_CELLS * cell]
    if len(places) == 0:
        return False
    away = cKDTree(places).query(rim.places)[0]
    return bool(np.median(away) < wide)


def _across(mesh: Mesh, rim: Rim, known: Sequence[Wall], cell: float) -> Mesh | None:
    """What is missing of walls within a rim, flagged as filled; None where the opening is none in the first of them.

    A wall ends where it would pass through the inside of another bore, or shaft, of those that are known.
    """
    pieces: list[Mesh] = []
    for wall in rim.walls:
        outline = _unrolled(rim, wall)
        if outline is None and not pieces:
            return None
        alone = rim.on(wall, cell) & ~np.any([rim.on(other, cell) for other in rim.walls if other is not wall], axis=0)
        whole = _as_far_as(rim, wall, alone, cell) if outline is None else _within(outline, wall, cell)
        if whole is not None:
            pieces.append(reaching(outside_of(whole, wall, known, cell), rim.places[alone], cell))
    return painted(reduce(together, pieces), rim, mesh)


def _as_far_as(rim: Rim, wall: Wall, alone: BoolArray, cell: float) -> Mesh | None:
    """A wall all round, from those places of a rim that lie on it alone (n,) to where it meets the rim's first wall.

    None where there are none, or the two do not meet.
    """
    _, height = rim.about(wall)
    at = meeting(wall, rim.walls[0], wall.shape.axis)
    if at is None or not alone.any():
        return None
    return ring(wall, wall.shape.axis, min(at, height[alone].min()), max(at, height[alone].max()), cell)


def _unrolled(rim: Rim, wall: Wall) -> FloatArray | None:
    """(n, 2) a rim seen from a wall's axis, on the unrolled wall, mm; None where it goes round it.

    It runs counter-clockwise seen from outside; None as well where it runs round a piece of surface, or lies over
    itself after a turn.
    """
    if rim.goes_round(wall):
        return None
    outline = rim.unrolled(wall)
    turn = np.array([2 * np.pi * wall.shape.radius, 0.0])
    if np.ptp(outline[:, 0]) > turn[0] and _inside(np.vstack([outline - turn, outline + turn]), outline).any():
        return None
    return outline if signed_area(outline) > 0 else None


def _within(outline: FloatArray, wall: Wall, cell: float) -> Mesh:
    """The wall within an outline (n, 2) on it unrolled: a grid of a cell, laid over it."""
    radius, frame = wall.shape.radius, upright_axes(wall.shape.axis)
    places, faces = _grid(outline, cell)
    turn = wall.faces * places[:, 0] / radius
    local = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), places[:, 1]])
    return used_only(Mesh(local @ frame + wall.shape.centre, faces))


def _grid(outline: FloatArray, cell: float) -> tuple[FloatArray, IndexArray]:
    """Places (n, 2) a cell apart over an outline (k, 2) that runs counter-clockwise, and the triangles inside it."""
    low = outline.min(axis=0)
    columns, rows = (int(count) + 1 for count in np.ceil(np.ptp(outline, axis=0) / cell))
    i, j = np.meshgrid(np.arange(columns), np.arange(rows), indexing="ij")
    places = low + cell * np.column_stack([i.ravel(), j.ravel()])
    a = (i[:-1, :-1] * rows + j[:-1, :-1]).ravel()
    b, c, d = a + rows, a + rows + 1, a + 1
    inside = _inside(places, outline)
    whole = inside[a] & inside[b] & inside[c] & inside[d]
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return places, faces[np.tile(whole, 2)].astype(np.int32)


def _inside(places: FloatArray, outline: FloatArray) -> BoolArray:
    """(n,) whether places (n, 2) lie inside an outline (k, 2): a ray to the right crosses it an odd number of times."""
    crossings = np.zeros(len(places), np.int64)
    for (x, y), (to_x, to_y) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        spans = (y > places[:, 1]) != (to_y > places[:, 1])
        at = x + (places[spans, 1] - y) / (to_y - y) * (to_x - x)
        crossings[spans] += at > places[spans, 0]
    odd: BoolArray = crossings % 2 == 1
    return odd
