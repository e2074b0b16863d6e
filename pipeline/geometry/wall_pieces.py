"""Guessed walls laid beside a mesh, as pieces of their own that closing joins to it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np

from pipeline.geometry.deviation import Surface
from pipeline.geometry.edges import touching
from pipeline.geometry.repair import together, without_faces
from pipeline.geometry.self_intersection import crossed_faces
from pipeline.part import Mesh

Opening = TypeVar("Opening")

CLEAR_CELLS = 0.9
"""So far from what was seen a wall ends; it begins a cell off the rims."""


def with_pieces(mesh: Mesh, walls: Sequence[tuple[Opening, Mesh]], cell: float) -> tuple[Mesh, list[Opening]]:
    """The mesh with those walls that cross nothing, and the openings that they close.

    Through a branch, or a window, of its middle a wall runs along what was seen: there it is left out.

    Parameters
    ----------
    mesh : what was seen
    walls : of each opening, the first ones first
    cell : length of the mesh's edges, millimetres
    """
    if not walls:
        return mesh, []
    seen, gone_on = Surface(mesh.vertices, mesh.faces), []
    for opening, wall in walls:
        if len(wall.faces):
            wall = without_faces(wall, touching(wall.faces, seen.distance(wall.vertices) < CLEAR_CELLS * cell))
        if len(wall.faces) == 0:
            continue
        both = together(mesh, wall)
        among = np.arange(len(both.faces)) >= len(mesh.faces)
        if not crossed_faces(both.vertices, both.faces, among).any():
            mesh = both
            gone_on.append(opening)
    return mesh, gone_on
