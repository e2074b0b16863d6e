"""Openings in round walls, of which nobody saw all: the wall goes on across them.

A patch or an implicit surface draws in across a wide opening as a soap film does, and shuts the bore that it lies in.
Where the whole rim lies on one cylinder, what is missing lies on it as well. That is a guess, as every filling is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.cloud import unit
from pipeline.geometry.facing import upright_axes
from pipeline.geometry.fits import fitted
from pipeline.geometry.holes import Hole, rim_normals
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import face_vectors, mean_cell
from pipeline.geometry.repair import used_only
from pipeline.geometry.round_walls import Wall
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
    for hole in holes:
        wall = None if hole.islands else _wall_about(mesh, hole, around, cell)
        if wall is None or _leads_through(mesh, hole, holes, wall, cell):
            continue
        piece = _across(mesh, hole, wall, cell)
        if piece is not None:
            pieces.append((hole, piece))
    return with_pieces(mesh, pieces, cell)


def _wall_about(mesh: Mesh, hole: Hole, around: Incidence, cell: float) -> Wall | None:
    """The round wall on which the whole rim of an opening lies; its axis stands square to all that the rim faces."""
    facing = rim_normals(mesh, hole.loop, around)
    spread, axes = np.linalg.eigh(facing.T @ facing / len(facing))
    if spread[0] > STRAIGHT or spread[1] < BENT:
        return None
    near = around.faces_at(np.unique(hole.loop))
    for _ in range(ROWS):
        near = around.faces_at(np.unique(mesh.faces[near]))
    faces = mesh.faces[near]
    places, normals = mesh.vertices[faces].mean(axis=1), unit(face_vectors(mesh.vertices, faces))
    on = np.abs(normals @ axes[:, 0]) < ALONG
    for _ in range(ROUNDS):
        shape = fitted("cylinder", places[on], axis=axes[:, 0]) if on.sum() >= FEWEST else None
        if shape is None:
            return None
        wall = Wall(shape, float(np.sign(inner(shape.normals(places[on]), normals[on]).sum())))
        on = wall.holds(places, normals, ON_CELLS * cell, FACING)
    on_rim = wall.holds(mesh.vertices[hole.loop], facing, ON_CELLS * cell, FACING)
    return wall if on_rim.mean() > SHARE else None


def _leads_through(mesh: Mesh, hole: Hole, holes: Sequence[Hole], wall: Wall, cell: float) -> bool:
    """Whether another rim runs along that of an opening, on another surface: both are the ends of a slot."""
    others = [mesh.vertices[other.loop] for other in holes if other is not hole]
    if not others:
        return False
    places = np.concatenate(others)
    places = places[np.abs(wall.height(places)[0]) > NEAR_CELLS * cell]
    if len(places) == 0:
        return False
    away = cKDTree(places).query(mesh.vertices[hole.loop])[0]
    return bool(np.median(away) < SLOT * hole.diameter_mm)


def _across(mesh: Mesh, hole: Hole, wall: Wall, cell: float) -> Mesh | None:
    """The wall within the rim of an opening, flagged as filled; None where the opening goes round it.

    The wall is unrolled, and a grid of a cell laid over it.
    """
    radius, frame = wall.shape.radius, upright_axes(wall.shape.axis)
    rim = (mesh.vertices[hole.loop] - wall.shape.centre) @ frame.T
    angle = np.unwrap(np.append(np.arctan2(rim[:, 1], rim[:, 0]), np.arctan2(rim[0, 1], rim[0, 0])))
    if abs(angle[-1] - angle[0]) > np.pi or np.ptp(angle) > FULL_TURN * 2 * np.pi:
        return None
    outline = np.column_stack([wall.faces * radius * angle[:-1], rim[:, 2]])  # counter-clockwise seen from outside
    x, y = outline.T
    if float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) <= 0:
        return None  # it runs round a piece of surface
    places, faces = _grid(outline, cell)
    if len(faces) == 0:
        return None
    turn = wall.faces * places[:, 0] / radius
    local = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), places[:, 1]])
    colours = None if mesh.colours is None else mesh.colours[hole.loop[cKDTree(outline).query(places)[1]]]
    piece = Mesh(local @ frame + wall.shape.centre, faces, np.ones(len(faces), bool), colours)
    return used_only(piece)


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
