"""Moments of what a surface encloses: where it lies, how it spreads, to which side it leans, how often it repeats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.measure import centroid, face_areas, face_volumes
from pipeline.geometry.size import is_closed
from pipeline.part import FloatArray, IndexArray, Mesh

ComplexArray = NDArray[np.complex128]

LEAST_VOLUME = 1e-6
"""Less than this share of the area to the power of one and a half is no volume; a ball's is 0.094."""


@dataclass(frozen=True, eq=False, slots=True)
class Moments:
    """Moments about the centroid of the enclosed volume.

    Attributes
    ----------
    vertices, faces : a closed surface
    centre : (3,) centroid of what it encloses, millimetres
    second : (3, 3) mean of x x^T over the volume about the centroid, mm2
    guessed : share of the surface that was filled, or is missing and was closed for the count, 0 to 1
    """

    vertices: FloatArray
    faces: IndexArray
    centre: FloatArray
    second: FloatArray
    guessed: float

    @property
    def radius(self) -> float:
        """Root mean square distance of the volume from its centroid, mm."""
        return float(np.sqrt(np.trace(self.second)))

    def lean(self, direction: FloatArray) -> float:
        """Mean of the cube of the coordinate along a direction (3,), in units of ``radius`` cubed."""
        along = (self.vertices - self.centre) @ direction / max(self.radius, np.finfo(float).tiny)
        return float(self._powers(along, 3)[3].real)

    def folds(self, across: FloatArray, most: int) -> ComplexArray:
        """How strongly the volume repeats itself 0, 1, ... ``most`` times in a turn about an axis.

        The mean of (x + iy) to the power of n: a part that n equal turns leave as it is has such means for n and its
        multiples only, and a turned part for none. The argument over n is the direction, in the plane of ``across``,
        in which the most of it lies.

        Parameters
        ----------
        across : (2, 3) two unit vectors across the axis through the centroid

        Returns
        -------
        (most + 1,) in units of what a plain disc as large as the part has all in one direction.
        """
        plan = (self.vertices - self.centre) @ across.T
        at = plan[:, 0] + 1j * plan[:, 1]
        order = np.arange(most + 1)
        found: ComplexArray = self._powers(at / np.abs(at).max(), most) * (order + 2) / 2
        return found

    def _powers(self, values: FloatArray | ComplexArray, most: int) -> ComplexArray:
        """(most + 1,) means over the volume of the powers of a linear function, 0 at the centroid, from its vertices.

        The integral of the power n of a linear function over a tetrahedron with the values a, b, c and 0 at its corners
        is 6 V n!/(n + 3)! times the complete homogeneous polynomial of degree n in a, b and c (Lasserre & Avrachenkov,
        "The multi-dimensional version of the integral of x^p", 2001; cited from memory, checked against boxes).
        """
        weight = face_volumes(self.vertices, self.faces, self.centre)
        a, b, c = values[self.faces].T
        one, two, three = np.ones((3, len(a)), values.dtype)
        means = []
        for power in range(most + 1):
            if power:
                one = one * a
                two = b * two + one
                three = c * three + two
            means.append(6.0 * (weight @ three) / ((power + 1) * (power + 2) * (power + 3)))
        return np.asarray(np.array(means) / weight.sum(), np.complex128)


def moments_of(mesh: Mesh) -> Moments | None:
    """Moments of a mesh. What is open is closed by fans to the middles of its borders, for the count only.

    Returns
    -------
    None when the surface encloses nothing, or so little that its centroid would lie outside its own box or its spread
    would be negative, as of a shell seen from one side.
    """
    vertices, faces = mesh.vertices, mesh.faces
    if not is_closed(faces):
        vertices, faces = _fanned(vertices, faces)
    areas = face_areas(vertices, faces)
    corners = vertices[faces].reshape(-1, 3)
    low, high = corners.min(axis=0), corners.max(axis=0)
    enclosed = float(face_volumes(vertices, faces, (low + high) / 2).sum())
    if abs(enclosed) <= LEAST_VOLUME * float(areas.sum()) ** 1.5:
        return None
    measured = areas[: len(mesh.faces)][~mesh.filled].sum()
    centre = centroid(vertices, faces)
    if (centre < low).any() or (centre > high).any():
        return None
    corners = vertices[faces] - centre
    weight = face_volumes(vertices, faces, centre)
    total = corners.sum(axis=1)
    second = np.einsum("n,nki,nkj->ij", weight, corners, corners) + np.einsum("n,ni,nj->ij", weight, total, total)
    second = second / 20 / weight.sum()
    if np.linalg.eigvalsh(second)[0] <= 0:
        return None
    return Moments(vertices, faces, centre, second, float(1 - measured / areas.sum()))


def _fanned(vertices: FloatArray, faces: IndexArray) -> tuple[FloatArray, IndexArray]:
    loops = boundary_loops(faces)
    middles = [vertices[loop].mean(axis=0) for loop in loops]
    fans = [
        np.column_stack([np.roll(loop, -1), loop, np.full(len(loop), len(vertices) + k)])
        for k, loop in enumerate(loops)
    ]
    return np.vstack([vertices, *middles]), np.concatenate([faces, *fans]).astype(np.int32)
