"""Rims of openings, and the round walls on which they lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.cloud import unit
from pipeline.geometry.facing import upright_axes
from pipeline.geometry.fits import fitted
from pipeline.geometry.holes import Hole, rim_normals
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import face_vectors
from pipeline.geometry.round_walls import FEWEST, Wall, round_walls
from pipeline.geometry.vectors import inner, length
from pipeline.part import BoolArray, FloatArray, LongArray, Mesh

STRAIGHT, BENT = 0.01, 0.02
"""Of a rim in a round wall what it faces lies in a plane, to within the first of these mean squares; and is not all the
same way, by more than the second: across what is nearly flat, patches do as well."""
ROWS, ROUNDS, ALONG = 8, 4, 0.3
"""The wall is fitted to so many rows of faces about the rim in so many rounds, the first time to those that stand along
the axis to within this sine."""
ON_CELLS, FACING, SHARE = 0.5, 0.9, 0.9
"""A rim lies on a wall where so much of it is within so many cells of it, and faces as it does within this cosine."""
ASKED, WITHIN_CELLS = 60_000, (0.5, 0.5, 0.5, 0.5, 0.25)
"""So many faces of the mesh are asked whether they lie on a wall, in turn to within so many cells."""
ENDS = 0.02
"""Share of what lies on a wall at either end that may be there by chance."""
LOOKED, WIDE_CELLS, SAMPLES, LEAST = 12, 12.0, 3_000, 0.03
"""About so many of the widest openings walls are looked for, and more than one about those that are so many cells wide,
on so many faces; a wall counts that holds so much of a rim."""


def rims_on_walls(mesh: Mesh, holes: Sequence[Hole], around: Incidence, cell: float) -> list[Rim]:
    """The rims of openings, each with the round walls on which it lies.

    Parameters
    ----------
    mesh : oriented outwards
    holes : of the mesh
    around : of the mesh
    cell : length of its edges, millimetres
    """
    rims = [Rim(hole, mesh.vertices[hole.loop], rim_normals(mesh, hole.loop, around)) for hole in holes]
    known = _walls_known(mesh, sorted(rims, key=lambda rim: -rim.hole.diameter_mm)[:LOOKED], around, cell)
    return [_placed(rim, known, cell) for rim in rims]


@dataclass(frozen=True, eq=False)
class Rim:
    """An opening's rim.

    Attributes
    ----------
    places, facing : (n, 3) millimetres, and which way the surface faces there
    walls : the round walls on which it lies, that of most of it first; none where it lies on other surfaces as well,
        or goes about islands
    partly : where it has none, the walls on which some of it lies
    """

    hole: Hole
    places: FloatArray
    facing: FloatArray
    walls: tuple[Wall, ...] = ()
    partly: tuple[Wall, ...] = ()

    @property
    def touched(self) -> tuple[Wall, ...]:
        """The walls on which it, or some of it, lies."""
        return self.walls or self.partly

    @cached_property
    def spread(self) -> tuple[FloatArray, FloatArray]:
        """Mean squares (3,) of what it faces along three axes, rising, and these axes, the columns of (3, 3)."""
        squares, axes = np.linalg.eigh(self.facing.T @ self.facing / len(self.facing))
        return squares, axes

    def goes_round(self, wall: Wall) -> bool:
        """Whether it goes round a wall."""
        angle, _ = self.about(wall)
        return bool(abs(angle[-1] - angle[0]) > np.pi)

    def unrolled(self, wall: Wall) -> FloatArray:
        """(n, 2) where it lies on an unrolled wall, mm: counter-clockwise about an opening, seen from outside.

        It runs clockwise about a piece of surface. Of a rim that goes round the wall this tells nothing.
        """
        angle, height = self.about(wall)
        return np.column_stack([wall.faces * wall.shape.radius * angle[:-1], height])

    def about(self, wall: Wall) -> tuple[FloatArray, FloatArray]:
        """(n + 1,) its angle about a wall's axis, unwrapped, up to its first place again; (n,) how far along, mm."""
        local = (self.places - wall.shape.centre) @ upright_axes(wall.shape.axis).T
        angle = np.arctan2(local[:, 1], local[:, 0])
        return np.unwrap(np.append(angle, angle[0])), local[:, 2]

    def on(self, wall: Wall, cell: float) -> BoolArray:
        """(n,) which of it lies on a wall."""
        return wall.holds(self.places, self.facing, ON_CELLS * cell, FACING)

    def along(self, wall: Wall, cell: float) -> FloatArray:
        """(k,) how far along a wall's axis, from its centre, those of its places are that lie on it, mm."""
        heights: FloatArray = (self.places[self.on(wall, cell)] - wall.shape.centre) @ wall.shape.axis
        return heights

    def way_in(self, wall: Wall) -> float:
        """1 where what was not seen of a wall about which it goes lies along the wall's axis, -1 where against it."""
        return -float(np.sign(self.hole.axis @ wall.shape.axis))


def _walls_about(
    mesh: Mesh, rim: Rim, around: Incidence, cell: float, places: FloatArray, normals: FloatArray
) -> list[Wall]:
    """Round walls about a rim: the one on which it lies, or those that are seen far enough round near it or farther.

    Parameters
    ----------
    places, normals : (m, 3) of what was seen of the part
    """
    near = around.faces_at(np.unique(rim.hole.loop))
    for _ in range(ROWS):
        near = around.faces_at(np.unique(mesh.faces[near]))
    beside = _some_of(mesh, near, SAMPLES)
    wall = _only_wall(rim, *beside, cell)
    if wall is not None or rim.hole.diameter_mm < WIDE_CELLS * cell or rim.spread[0][1] < BENT:
        return [] if wall is None else [wall]
    farther = _evenly(np.flatnonzero(length(places - rim.hole.centre) < rim.hole.diameter_mm), SAMPLES)
    return [
        wall
        for seen, facing in (beside, (places[farther], normals[farther]))
        for wall in round_walls(seen, facing, cell, np.random.default_rng(0))[0]
    ]


def _walls_known(mesh: Mesh, rims: Sequence[Rim], around: Incidence, cell: float) -> list[Wall]:
    """The round walls about rims, each once, from where most was seen of it.

    None of a radius as large as the part: that is a flat face, and all round it would be a wall without end.
    """
    places, normals = _some_of(mesh, np.flatnonzero(~mesh.filled), ASKED)
    found = [
        _seen_farther(wall, rim, places, normals, cell)
        for rim in rims
        for wall in _walls_about(mesh, rim, around, cell, places, normals)
    ]
    widest = float(np.ptp(mesh.vertices, axis=0).max())
    found = [(wall, on) for wall, on in found if wall.shape.radius < widest]
    known: list[Wall] = []
    for wall, on in sorted(found, key=lambda pair: -np.count_nonzero(pair[1])):
        held = [np.count_nonzero(other.holds(places[on], normals[on], ON_CELLS * cell, FACING)) for other in known]
        if max(held, default=0) <= SHARE * np.count_nonzero(on):
            known.append(_with_ends(wall, places[wall.holds(places, normals, ON_CELLS * cell, FACING)]))
    return known


def _some_of(mesh: Mesh, rows: LongArray, most: int) -> tuple[FloatArray, FloatArray]:
    """(m, 3) middles and (m, 3) unit normals of faces (k,), of so many at most, evenly through the list."""
    faces = mesh.faces[_evenly(rows, most)]
    return mesh.vertices[faces].mean(axis=1), unit(face_vectors(mesh.vertices, faces))


def _evenly(rows: LongArray, most: int) -> LongArray:
    """So many rows (k,) at most, evenly through the list."""
    some: LongArray = rows[np.linspace(0, len(rows) - 1, min(most, len(rows))).astype(int)]
    return some


def _with_ends(wall: Wall, places: FloatArray) -> Wall:
    """A wall that knows from where to where it was seen, from places on it (n, 3)."""
    if len(places) == 0:
        return wall
    low, high = np.quantile((places - wall.shape.centre) @ wall.shape.axis, (ENDS, 1 - ENDS))
    return replace(wall, seen_mm=(float(low), float(high)))


def _seen_farther(wall: Wall, rim: Rim, places: FloatArray, normals: FloatArray, cell: float) -> tuple[Wall, BoolArray]:
    """A wall fitted again to what lies on it as far away as the opening is wide, and (n,) what that is.

    A few rows tell its axis badly. The wall as it was where it would become another.
    """
    near = length(places - rim.hole.centre) < rim.hole.diameter_mm
    before = near & wall.holds(places, normals, ON_CELLS * cell, FACING)
    farther = wall.fitted_again(places[near], normals[near], [(within * cell, FACING) for within in WITHIN_CELLS])
    if farther is None:
        return wall, before
    on = near & farther.holds(places, normals, WITHIN_CELLS[-1] * cell, FACING)
    held = np.count_nonzero(farther.holds(places[before], normals[before], ON_CELLS * cell, FACING))
    return (farther, on) if held > SHARE * np.count_nonzero(before) else (wall, before)


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
    shape = fitted("cylinder", places[on], axis=axes[:, 0]) if on.sum() >= FEWEST else None
    if shape is None:
        return None
    first = Wall(shape, float(np.sign(inner(shape.normals(places[on]), normals[on]).sum())))
    wall = first.fitted_again(places, normals, (ROUNDS - 1) * [(ON_CELLS * cell, FACING)])
    return wall if wall is not None and rim.on(wall, cell).mean() > SHARE else None


def _placed(rim: Rim, known: Sequence[Wall], cell: float) -> Rim:
    """A rim with the walls on which it lies."""
    walls = () if rim.hole.islands else tuple(_under(rim, known, cell))
    if walls:
        return replace(rim, walls=walls)
    return replace(rim, partly=tuple(wall for wall in known if rim.on(wall, cell).mean() > LEAST))


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


def painted(piece: Mesh, rim: Rim, mesh: Mesh) -> Mesh:
    """A guessed piece flagged as filled and, where the mesh is, coloured as the nearest places of a rim."""
    nearest = rim.hole.loop[cKDTree(rim.places).query(piece.vertices)[1]]
    colours = None if mesh.colours is None else mesh.colours[nearest]
    return Mesh(piece.vertices, piece.faces, np.ones(len(piece.faces), bool), colours)


def walls_of(rims: Sequence[Rim]) -> list[Wall]:
    """The walls on which rims lie, each once."""
    return list(dict.fromkeys(wall for rim in rims for wall in rim.walls))
