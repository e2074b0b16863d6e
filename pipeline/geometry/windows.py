"""Openings in round walls, of which nobody saw all: the walls go on across them.

A patch or an implicit surface draws in across a wide opening as a soap film does, and shuts the bore that it lies in.
Where the whole rim lies on a cylinder, or on some that pass into one another, what is missing lies on them as well.
That is a guess, as every filling is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, reduce
from itertools import chain

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.cloud import unit
from pipeline.geometry.edges import edges_of, face_components, touching
from pipeline.geometry.facing import upright_axes
from pipeline.geometry.fits import fitted
from pipeline.geometry.holes import Hole, rim_normals
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import face_vectors, mean_cell
from pipeline.geometry.repair import together, used_only, without_faces
from pipeline.geometry.round_walls import Wall, round_walls
from pipeline.geometry.vectors import inner
from pipeline.geometry.wall_pieces import with_pieces
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh

STRAIGHT, BENT = 0.01, 0.02
"""Of a rim in a round wall what it faces lies in a plane, to within the first of these mean squares; and is not all the
same way, by more than the second: across what is nearly flat, patches do as well."""
ROWS, FEWEST, ROUNDS, ALONG = 8, 30, 4, 0.3
"""The wall is fitted to so many rows of faces about the rim, at least so many faces, in so many rounds, the first time
to those that stand along the axis to within this sine."""
ON_CELLS, FACING, SHARE = 0.5, 0.9, 0.9
"""A rim lies on a wall where so much of it is within so many cells of it, and faces as it does within this cosine."""
NEAR_CELLS, SLOT = 2.0, 0.5
"""A rim is another surface's from so many cells off the wall on; it belongs to the same slot within so much of the
opening's width."""
LOOKED, WIDE_CELLS, SAMPLES, LEAST = 12, 20.0, 3_000, 0.03
"""About so many of the widest openings walls are looked for, and more than one about those that are so many cells wide,
on so many faces; a wall counts that holds so much of a rim."""
APART_CELLS, ASKEW = 0.5, 0.9
"""Where walls pass into one another, their axes askew by more than this cosine, each ends so many cells outside of the
other."""
BESIDE_CELLS = 2.5
"""A piece of a wall begins within so many cells of that part of the rim that lies on this wall alone: beyond the bore
into which it opens, a bore has no wall."""
FULL_TURN = 0.95
"""Share of a whole turn from which on an opening goes round the wall."""


def with_windows(mesh: Mesh, holes: Sequence[Hole], around: Incidence) -> tuple[Mesh, list[Hole]]:
    """The mesh with the missing pieces of its round walls as pieces of their own, and the openings they lie in.

    Parameters
    ----------
    mesh : oriented outwards
    holes : openings of the mesh that nothing else closes
    around : of the mesh; faces that were added to it since do not count
    """
    cell, pieces = mean_cell(mesh.vertices, mesh.faces), []
    rims = [Rim(hole, mesh.vertices[hole.loop], rim_normals(mesh, hole.loop, around)) for hole in holes]
    known = [
        wall
        for rim in sorted(rims, key=lambda rim: -rim.hole.diameter_mm)[:LOOKED]
        for wall in _walls_about(mesh, rim, around, cell)
    ]
    under = [[] if rim.hole.islands else _under(rim, known, cell) for rim in rims]
    for rim, walls in zip(rims, under, strict=True):
        if not walls or _leads_through(rim, rims, walls, cell):
            continue
        piece = _across(mesh, rim, walls, list(chain(*under)), cell)
        if piece is not None:
            pieces.append((rim.hole, piece))
    return with_pieces(mesh, pieces, cell)


@dataclass(frozen=True, eq=False)
class Rim:
    """An opening's rim: (n, 3) its places, millimetres, and what it faces there, (n, 3)."""

    hole: Hole
    places: FloatArray
    facing: FloatArray

    @cached_property
    def spread(self) -> tuple[FloatArray, FloatArray]:
        """Mean squares (3,) of what it faces along three axes, rising, and these axes, the columns of (3, 3)."""
        squares, axes = np.linalg.eigh(self.facing.T @ self.facing / len(self.facing))
        return squares, axes

    def on(self, wall: Wall, cell: float) -> BoolArray:
        """(n,) which of it lies on a wall."""
        return wall.holds(self.places, self.facing, ON_CELLS * cell, FACING)


def _walls_about(mesh: Mesh, rim: Rim, around: Incidence, cell: float) -> list[Wall]:
    """Round walls about a rim: the one on which it lies, or those that are seen far enough round near it."""
    near = around.faces_at(np.unique(rim.hole.loop))
    for _ in range(ROWS):
        near = around.faces_at(np.unique(mesh.faces[near]))
    near = near[np.linspace(0, len(near) - 1, min(SAMPLES, len(near))).astype(int)]
    faces = mesh.faces[near]
    places, normals = mesh.vertices[faces].mean(axis=1), unit(face_vectors(mesh.vertices, faces))
    wall = _only_wall(rim, places, normals, cell)
    if wall is not None or rim.hole.diameter_mm < WIDE_CELLS * cell or rim.spread[0][1] < BENT:
        return [] if wall is None else [wall]
    return round_walls(places, normals, cell, np.random.default_rng(0))[0]


def _only_wall(rim: Rim, places: FloatArray, normals: FloatArray, cell: float) -> Wall | None:
    """The round wall on which a whole rim lies; its axis stands square to all that the rim faces.

    Parameters
    ----------
    places, normals : (m, 3) of faces about the rim
    """
    spread, axes = rim.spread
    if spread[0] > STRAIGHT or spread[1] < BENT:
        return None
    on = np.abs(normals @ axes[:, 0]) < ALONG
    for _ in range(ROUNDS):
        shape = fitted("cylinder", places[on], axis=axes[:, 0]) if on.sum() >= FEWEST else None
        if shape is None:
            return None
        wall = Wall(shape, float(np.sign(inner(shape.normals(places[on]), normals[on]).sum())))
        on = wall.holds(places, normals, ON_CELLS * cell, FACING)
    return wall if rim.on(wall, cell).mean() > SHARE else None


def _under(rim: Rim, known: Sequence[Wall], cell: float) -> list[Wall]:
    """The walls on which a rim lies, that of most of it first; none where it does not, or they face unlike."""
    walls, on, rest = [], [rim.on(wall, cell) for wall in known], np.ones(len(rim.places), bool)
    while known and rest.mean() > 1 - SHARE:
        gain = [np.count_nonzero(held & rest) for held in on]
        best = int(np.argmax(gain))
        if gain[best] < LEAST * len(rest):
            return []
        walls.append(known[best])
        rest &= ~on[best]
    return walls if len({wall.faces for wall in walls}) == 1 else []


def _leads_through(rim: Rim, rims: Sequence[Rim], walls: Sequence[Wall], cell: float) -> bool:
    """Whether another rim runs along that of an opening, on another surface: both are the ends of a slot."""
    others = [other.places for other in rims if other is not rim]
    if not others:
        return False
    places = np.concatenate(others)
    off = np.min([np.abs(wall.height(places)[0]) for wall in walls], axis=0)
    places = places[off > NEAR_CELLS * cell]
    if len(places) == 0:
        return False
    away = cKDTree(places).query(rim.places)[0]
    return bool(np.median(away) < SLOT * rim.hole.diameter_mm)


def _across(mesh: Mesh, rim: Rim, walls: Sequence[Wall], known: Sequence[Wall], cell: float) -> Mesh | None:
    """What is missing of walls within a rim, flagged as filled; None where the opening is none in the first of them.

    A wall ends where it would pass through the inside of another bore, or shaft, of those that are known.
    """
    pieces: list[Mesh] = []
    for wall in walls:
        outline = _unrolled(rim, wall)
        if outline is None and not pieces:
            return None
        if outline is None:
            continue
        piece = _within(outline, wall, cell)
        for other in known:
            if other.faces == wall.faces and abs(other.shape.axis @ wall.shape.axis) < ASKEW:
                inside = other.shape.distance(piece.vertices) < APART_CELLS * cell
                piece = without_faces(piece, touching(piece.faces, inside))
        alone = rim.on(wall, cell) & ~np.any([rim.on(other, cell) for other in walls if other is not wall], axis=0)
        pieces.append(_reaching(piece, rim.places[alone], BESIDE_CELLS * cell))
    whole = reduce(together, pieces)
    nearest = rim.hole.loop[cKDTree(rim.places).query(whole.vertices)[1]]
    colours = None if mesh.colours is None else mesh.colours[nearest]
    return Mesh(whole.vertices, whole.faces, np.ones(len(whole.faces), bool), colours)


def _reaching(mesh: Mesh, places: FloatArray, within_mm: float) -> Mesh:
    """Those pieces of a mesh that come so near to one of the places (k, 3)."""
    if len(mesh.faces) == 0 or len(places) == 0:
        return without_faces(mesh, np.ones(len(mesh.faces), bool))
    near = np.isfinite(cKDTree(places).query(mesh.vertices, distance_upper_bound=within_mm)[0])
    piece = face_components(mesh.faces, edges_of(mesh.faces))
    return without_faces(mesh, ~np.isin(piece, piece[touching(mesh.faces, near)]))


def _unrolled(rim: Rim, wall: Wall) -> FloatArray | None:
    """(n, 2) a rim seen from a wall's axis, on the unrolled wall, mm; None where it goes round it.

    It runs counter-clockwise seen from outside; None as well where it runs round a piece of surface.
    """
    radius, frame = wall.shape.radius, upright_axes(wall.shape.axis)
    local = (rim.places - wall.shape.centre) @ frame.T
    angle = np.arctan2(local[:, 1], local[:, 0])
    angle = np.unwrap(np.append(angle, angle[0]))
    if abs(angle[-1] - angle[0]) > np.pi or np.ptp(angle) > FULL_TURN * 2 * np.pi:
        return None
    outline = np.column_stack([wall.faces * radius * angle[:-1], local[:, 2]])
    x, y = outline.T
    return outline if float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) > 0 else None


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
