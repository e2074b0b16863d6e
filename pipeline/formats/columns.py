"""Which columns of a text of numbers are normals and which are colours; the first three are the point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.part import FloatArray

UNIT_LENGTH = 0.02
"""How far rounded components may leave the length of a normal from 1."""
_TITLES = (
    (("x", "y", "z"),),
    (("nx", "ny", "nz"), ("normal_x", "normal_y", "normal_z")),
    (("r", "g", "b"), ("red", "green", "blue")),
)
_PTS_COLUMNS = 7
"""x y z intensity r g b: the order of the PTS files of laser scanners (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Roles:
    """Column numbers."""

    points: list[int]
    normals: list[int] | None = None
    colours: list[int] | None = None


def roles_of(table: FloatArray, titles: list[str]) -> Roles:
    """What the columns of (n, k) numbers mean: by their titles where each has one, else by what only they can be.

    Three columns of unit length are normals, three of whole numbers from 0 to 255 colours; the rest is passed over.
    """
    columns = table.shape[1]
    titles = [title.strip("/#") for title in titles if title.strip("/#")]
    if len(titles) == columns and (points := _titled(titles, 0)):
        normals, colours = _titled(titles, 1), _titled(titles, 2)
        return Roles(points, normals, colours if colours and _are_bytes(table[:, colours]) else None)
    triples = [[k, k + 1, k + 2] for k in range(3, columns - 2)]
    normals = next((triple for triple in triples if _are_unit(table[:, triple])), None)
    if columns == _PTS_COLUMNS:
        triples.reverse()
    free = [triple for triple in triples if normals is None or not set(triple) & set(normals)]
    return Roles([0, 1, 2], normals, next((triple for triple in free if _are_bytes(table[:, triple])), None))


def _titled(titles: list[str], role: int) -> list[int] | None:
    for names in _TITLES[role]:
        if all(titles.count(name) == 1 for name in names):
            return [titles.index(name) for name in names]
    return None


def _are_unit(triple: FloatArray) -> bool:
    return bool((np.abs(np.linalg.norm(triple, axis=1) - 1) < UNIT_LENGTH).all())


def _are_bytes(triple: FloatArray) -> bool:
    return bool(((triple >= 0) & (triple <= 255) & (triple == np.floor(triple))).all())
