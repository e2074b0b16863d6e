"""Points that stand for the surface at an even density, whatever the captures' own densities were."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.kinds import kinds
from pipeline.geometry.vectors import length
from pipeline.geometry.voxels import voxels
from pipeline.part import ColourArray, FloatArray, NormalArray


@dataclass(frozen=True, eq=False, slots=True)
class Cloud:
    """An even cloud.

    Attributes
    ----------
    points : (n, 3), millimetres
    weight : (n,) float, measured points that each one stands for
    normals : (n, 3) float unit vectors, or None
    colours : (n, 3) float sRGB, or None
    """

    points: FloatArray
    weight: FloatArray
    normals: FloatArray | None = None
    colours: FloatArray | None = None

    def __len__(self) -> int:
        return len(self.points)


def thinned(points: FloatArray, normals: NormalArray | None, colours: ColourArray | None, cell: float) -> Cloud:
    """The mean of the points, normals and colours in each cube of edge ``cell`` (mm).

    Where a cube holds points of two sides (normals more than a right angle from the cube's mean normal), the
    minority is left out, so that the mean of a thin wall's two faces never becomes a point inside the wall.
    """
    cells = voxels(points, cell)
    weight, centre, direction = cells.count, cells.centre, None
    if normals is not None:
        direction = _means(cells.of_point, normals, weight)
        agrees = np.einsum("ni,ni->n", direction[cells.of_point], normals) > 0
        if not agrees.all():
            left = kinds(cells.of_point[agrees])
            of_point, weight = left.of_each, left.count.astype(float)
            points, normals = points[agrees], normals[agrees]
            colours = None if colours is None else colours[agrees]
            centre, direction = _means(of_point, points, weight), _means(of_point, normals, weight)
            return Cloud(centre, weight, unit(direction), _colours(of_point, colours, weight))
        direction = unit(direction)
    return Cloud(centre, weight, direction, _colours(cells.of_point, colours, weight))


def unit(vectors: NDArray[np.floating]) -> FloatArray:
    """Vectors (n, 3) at length one; a zero vector stays zero."""
    long = np.maximum(length(vectors), np.finfo(float).tiny)
    return np.asarray(vectors / long[:, None], float)


def _means(of_point: NDArray[np.integer], values: NDArray[np.number], weight: FloatArray) -> FloatArray:
    sums = [np.bincount(of_point, weights=values[:, axis], minlength=len(weight)) for axis in range(3)]
    return np.stack(sums, axis=1) / weight[:, None]


def _colours(of_point: NDArray[np.integer], colours: ColourArray | None, weight: FloatArray) -> FloatArray | None:
    return None if colours is None else _means(of_point, colours, weight)
