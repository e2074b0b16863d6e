"""A capture that is a mesh already: its own triangles, sewn together."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.repair import without_degenerates, without_duplicates
from pipeline.part import Capture, IndexArray, Mesh


def welded_mesh(capture: Capture) -> Mesh:
    """The capture's own triangles in the part's frame.

    Vertices at exactly the same place become one (STL writes each corner by itself, texture seams double
    vertices), faces without area or there twice go; nothing else is changed.
    """
    if capture.faces is None:
        raise ValueError(f"{capture.name} has no faces")
    points = capture.points + 0.0  # so that -0.0 is 0.0 in the comparison below
    rows = np.ascontiguousarray(points).view(np.dtype((np.void, 24))).ravel()
    _, first, same = np.unique(rows, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")  # vertices keep the file's order
    rank: IndexArray = np.empty(len(order), np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    colours = None if capture.colours is None else capture.colours[first[order]]
    mesh = Mesh(capture.points_in_part()[first[order]], rank[same][capture.faces], colours=colours)
    return without_duplicates(without_degenerates(mesh))
