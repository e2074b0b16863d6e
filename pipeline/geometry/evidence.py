"""Which captures stand behind each place of a surface, and how far their points lie from it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.deviation import sample_surface
from pipeline.geometry.measure import area, face_areas
from pipeline.geometry.voxels import voxels
from pipeline.part import FloatArray, Mesh

CELLS = 60_000
SPACINGS_PER_CELL = 3.0
"""So that a cell holds about nine points of each capture that saw it."""
REACH_CELLS = 2.5
"""A place farther than this from every cell with evidence was measured by nobody."""

Sides = NDArray[np.uint32]


def cell_size(mesh: Mesh, spacing_mm: float) -> float:
    """Edge of a cell, mm: some point spacings, and never so small that a surface has more than about CELLS."""
    return max(SPACINGS_PER_CELL * spacing_mm, float(np.sqrt(area(mesh.vertices, mesh.faces) / CELLS)), 1e-9)


def spread(
    mesh: Mesh, points: Sequence[FloatArray], deviations: Sequence[FloatArray], cell_mm: float
) -> tuple[FloatArray, FloatArray, Sides]:
    """Sum the captured points up by small cells, and add the cells that are filled.

    Parameters
    ----------
    mesh : the surface, with ``filled`` where no capture measured it
    points : for each capture (n_k, 3) mm, in the frame of ``mesh``
    deviations : for each capture (n_k,) signed distances to the surface, mm
    cell_mm : from ``cell_size``

    Returns
    -------
    (c, 3) places, (c,) mean deviation in mm, NaN where filled, and (c,) which captures saw the cell, one bit each
    (the last bit stands for all captures from the 32nd on); 0 where filled.
    """
    everything, distance = np.concatenate(list(points)), np.concatenate(list(deviations))
    bit = np.repeat(np.minimum(np.arange(len(points)), 31), [len(p) for p in points])
    cells = voxels(everything, cell_mm)
    sides = np.zeros(len(cells), np.uint32)
    for k in np.unique(bit):
        sides[np.unique(cells.of_point[bit == k])] |= np.uint32(1 << int(k))
    filled = _filled_places(mesh, cell_mm)
    return (
        np.concatenate([cells.centre, filled]),
        np.concatenate([cells.total(distance) / cells.count, np.full(len(filled), np.nan)]),
        np.concatenate([sides, np.zeros(len(filled), np.uint32)]),
    )


def _filled_places(mesh: Mesh, cell_mm: float) -> FloatArray:
    """(k, 3) places on the filled faces, some to a cell, so that they outnumber the measured ones beside them."""
    faces = mesh.faces[mesh.filled]
    if not len(faces):
        return np.zeros((0, 3))
    count = int(np.clip(4 * face_areas(mesh.vertices, faces).sum() / cell_mm**2, 1, 2 * CELLS))
    places, _ = sample_surface(mesh.vertices, faces, count)
    middles: FloatArray = mesh.vertices[faces].mean(axis=1)
    return np.concatenate([places, middles[:CELLS]])


class Lookup:
    """Answers, for any place on the surface, what the evidence nearest to it says.

    Parameters
    ----------
    places, deviation, sides : as from ``spread``
    cell_mm : size of a cell
    """

    def __init__(self, places: FloatArray, deviation: FloatArray, sides: Sides, cell_mm: float) -> None:
        self._tree = cKDTree(places)
        self._deviation, self._sides, self._reach = deviation, sides, REACH_CELLS * cell_mm

    def at(self, places: FloatArray) -> tuple[FloatArray, Sides]:
        """(n,) mean deviation in mm of the nearest cells, NaN for none; (n,) the sides that saw them, 0 for none."""
        distance, index = self._tree.query(places, k=[1, 2, 3, 4], distance_upper_bound=self._reach)
        deviation = np.append(self._deviation, np.nan)[index]
        sides = np.append(self._sides, np.uint32(0))[index]
        measured = sides[:, 0] > 0
        weight = np.where(np.isnan(deviation), 0, 1 / (distance + 0.05 * self._reach))
        total = weight.sum(axis=1)
        mean = np.full(len(total), np.nan)
        np.divide((weight * np.nan_to_num(deviation)).sum(axis=1), total, where=measured & (total > 0), out=mean)
        return mean, np.where(measured, np.bitwise_or.reduce(sides, axis=1), 0).astype(np.uint32)
