"""What a guess ought to be where a round wall was seen in part: the wall goes on.

An implicit surface draws in where nothing holds it, as a soap film does: of a bore whose wall was seen here and there
it leaves a waist. Where the measured wall about a guess lies on a cylinder, the guess goes on it. Cylinders are sought
by consensus: two oriented places give an axis and a radius (Schnabel, Wahl and Klein, "Efficient RANSAC for point-cloud
shape detection", 2007), the one that most others confirm is fitted by least squares, and the rest is asked again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry.cloud import unit
from pipeline.geometry.fits import Fit, fitted
from pipeline.geometry.measure import face_vectors, vertex_vectors
from pipeline.geometry.sampling import rough_tree
from pipeline.geometry.sectors import share_around
from pipeline.geometry.vectors import cross, inner, length
from pipeline.part import BoolArray, FloatArray, LongArray, Mesh

ABOUT_CELLS = 20.0
"""The wall is looked for so far about the guess."""
ASKED, SAMPLES, PAIRS = 60_000, 3_000, 400
"""Measured places that are asked whether they lie about the guess, those that are looked at, and pairs of them."""
MOST_WALLS = 4
FEWEST = 30
ROUNDS = 3
"""Fits of a wall to what lies on it."""
ON, NEAR = (0.25, 0.95), (2.0, 0.8)
"""A place is on a wall within so many cells, and when it faces as the wall does to within this cosine; near it within
the wider ones."""
ROUND = 1.3
"""At most so many times the places on a wall are near it: those at a ball's belt, or at four fillets of a block, are
more."""
LEAST_SHARE = 0.1
"""A wall holds at least this share of the places about the guess."""
LEAST_SECTORS, SECTORS = 5, 12
"""A wall was seen in so many of the sectors about its axis: from a narrow strip nobody knows its radius."""
MOST_WAY = 0.35
"""Share of a radius that a guess may be off its wall: a soap film's waist, and not a floor or another wall."""
SQUARE = 0.5
"""Cosine between a guess and the wall's direction there from which it is that wall."""
BESIDE, TURN_CELLS = 12, 20.0
"""A guess goes on the wall on which most of so many measured places beside it lie; facing the other way counts as much
as being so many cells off, for each radian."""


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """A round wall.

    Attributes
    ----------
    shape : the cylinder
    faces : +1 where the wall faces away from its axis, as a shaft does, -1 where towards it, as a bore does
    seen_mm : from where to where along its axis it was seen, from its centre, where that was asked
    """

    shape: Fit
    faces: float
    seen_mm: tuple[float, float] = (-np.inf, np.inf)

    def height(self, places: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(n,) signed distances of places (n, 3), positive outside of the material, and (n, 3) the wall's normals."""
        return self.faces * self.shape.distance(places), self.faces * self.shape.normals(places)

    def holds(self, places: FloatArray, normals: FloatArray, within_mm: float, alike: float) -> BoolArray:
        """(n,) whether places (n, 3) lie within so much of it and face as it does to within this cosine."""
        height, facing = self.height(places)
        on: BoolArray = (np.abs(height) < within_mm) & (inner(facing, normals) > alike)
        return on

    def fitted_again(
        self, places: FloatArray, normals: FloatArray, bands: Sequence[tuple[float, float]]
    ) -> Wall | None:
        """Fitted to those places (n, 3) that lie on it, once for each band: within so many mm, alike to this cosine.

        None where these are too few, or determine no cylinder.
        """
        wall = self
        for within_mm, alike in bands:
            on = wall.holds(places, normals, within_mm, alike)
            shape = fitted("cylinder", places[on], axis=wall.shape.axis) if on.sum() >= FEWEST else None
            if shape is None:
                return None
            wall = replace(wall, shape=shape)
        return wall


def on_round_walls(guess: Mesh, mesh: Mesh, cell: float) -> Mesh:
    """A guess with what belongs to round walls of a measured mesh put onto them.

    Parameters
    ----------
    guess : pieces of surface where the mesh has none, oriented as it
    mesh : what was measured, oriented outwards
    cell : length of its edges, millimetres
    """
    if len(guess.faces) == 0:
        return guess
    rng = np.random.default_rng(0)
    asked = mesh.faces[rng.permutation(np.flatnonzero(~mesh.filled))[:ASKED]]
    places = mesh.vertices[asked].mean(axis=1)
    away = rough_tree(guess.vertices).query(places, distance_upper_bound=ABOUT_CELLS * cell)[0]
    near = np.flatnonzero(np.isfinite(away))[:SAMPLES]
    places, facing = places[near], unit(face_vectors(mesh.vertices, asked[near]))
    walls, of = round_walls(places, facing, cell, rng)
    if not walls:
        return guess
    vertices, normals = guess.vertices.copy(), unit(vertex_vectors(guess.vertices, guess.faces))
    turn = TURN_CELLS * cell
    tree = rough_tree(np.hstack([places, turn * facing]))
    beside = of[tree.query(np.hstack([vertices, turn * normals]), k=BESIDE)[1]]
    for number, wall in enumerate(walls):
        height, way = wall.height(guess.vertices)
        goes_on = np.count_nonzero(beside == number, axis=1) > BESIDE / 2
        goes_on &= (np.abs(height) < MOST_WAY * wall.shape.radius) & (inner(way, normals) > SQUARE)
        vertices[goes_on] -= height[goes_on, None] * way[goes_on]
    return replace(guess, vertices=vertices)


def round_walls(
    places: FloatArray, normals: FloatArray, cell: float, rng: np.random.Generator
) -> tuple[list[Wall], LongArray]:
    """Cylinders on which oriented places (n, 3) lie, and (n,) the number of each place's own, -1 for none.

    One is sought after the other, in what those before leave over.
    """
    found: list[Wall] = []
    of = np.full(len(places), -1)
    left = np.arange(len(places))
    for _ in range(MOST_WALLS):
        if len(left) < max(LEAST_SHARE * len(places), FEWEST):
            break
        wall, on = _best(places[left], normals[left], cell, rng)
        if on.sum() < LEAST_SHARE * len(places):
            break
        if wall is not None:
            of[left[on]] = len(found)
            found.append(wall)
        left = left[~on]
    return found, of


def _best(
    places: FloatArray, normals: FloatArray, cell: float, rng: np.random.Generator
) -> tuple[Wall | None, BoolArray]:
    """The cylinder through two of the places that most others lie on, fitted to those."""
    best: tuple[Wall | None, BoolArray] = None, np.zeros(len(places), bool)
    widest = float(np.ptp(places, axis=0).max())
    for candidate in _through(places, normals, rng.integers(len(places), size=(PAIRS, 2))):
        if candidate.shape.radius < widest:
            on = candidate.holds(places, normals, NEAR[0] * cell, NEAR[1])
            if on.sum() > best[1].sum():
                best = candidate, on
    wall, on = best
    near, close = ((cells * cell, alike) for cells, alike in (NEAR, ON))
    wall = None if wall is None else wall.fitted_again(places, normals, [near] + (ROUNDS - 1) * [close])
    if wall is None:
        return None, on
    on = wall.holds(places, normals, *close)
    sure = _seen_round(wall.shape, places[on])
    sure &= wall.holds(places, normals, *near).sum() <= ROUND * on.sum()
    return (wall if sure else None, on)


def _through(places: FloatArray, normals: FloatArray, pairs: LongArray) -> list[Wall]:
    """The cylinders through pairs (n, 2) of oriented places; none through two that face nearly alike."""
    (p, q), (n, m) = places[pairs.T], normals[pairs.T]
    axis = cross(n, m)
    sine = length(axis)
    askew = sine > 0.2
    p, q, n, m, axis, sine = (each[askew] for each in (p, q, n, m, axis, sine))
    axis /= sine[:, None]
    # p + s n and q + t m meet, seen along the axis
    s, t = (inner(cross(q - p, other), axis) / sine for other in (m, n))
    alike = (s * t > 0) & (0.8 * np.abs(t) < np.abs(s)) & (np.abs(s) < 1.25 * np.abs(t))
    return [
        Wall(Fit("cylinder", middle, along, radius, np.zeros(0), 0.0, np.zeros(0, bool)), -float(np.sign(side)))
        for middle, along, radius, side in zip(
            (p + s[:, None] * n)[alike], axis[alike], (np.abs(s + t) / 2)[alike].tolist(), s[alike], strict=True
        )
    ]


def _seen_round(shape: Fit, places: FloatArray) -> bool:
    """Whether places lie in enough of the directions about a cylinder's axis."""
    across = np.linalg.svd(shape.axis[None])[2][1:]
    return share_around((places - shape.centre) @ across.T, SECTORS) >= LEAST_SECTORS / SECTORS
