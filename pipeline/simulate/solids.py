"""Solids by constructive geometry: the few shapes the fittings are made of, and the way to and from meshes."""

from __future__ import annotations

from collections.abc import Sequence

import manifold3d
import numpy as np
from manifold3d import CrossSection, Manifold
from numpy.typing import ArrayLike

from pipeline.part import FloatArray, Mesh

SEGMENTS = 192
"""Facets of a full circle: a radius of 55 mm is met within 0.008 mm."""


class Proportions:
    """Nominal sizes without a seed; with one, every size drawn a little larger or smaller, all scaled together."""

    def __init__(self, seed: int | None) -> None:
        self._rng = None if seed is None else np.random.default_rng(seed)
        self.scale = 1.0 if self._rng is None else float(self._rng.uniform(0.8, 1.25))

    def __call__(self, nominal_mm: float, spread: float = 0.1) -> float:
        if self._rng is None:
            return nominal_mm
        return nominal_mm * self.scale * float(1 + spread * self._rng.uniform(-1, 1))

    def count(self, nominal: int, low: int, high: int) -> int:
        """A number of things, between ``low`` and ``high`` inclusive when seeded."""
        return nominal if self._rng is None else int(self._rng.integers(low, high + 1))


def mesh_of(solid: Manifold) -> Mesh:
    """The closed mesh of a solid."""
    raw = solid.to_mesh64()
    return Mesh(np.asarray(raw.vert_properties)[:, :3], np.asarray(raw.tri_verts).astype(np.int32))


def truth_of(solid: Manifold) -> Mesh:
    """The mesh of a solid with no edge longer than 6 mm, flat faces too.

    Distances to long thin triangles in single precision are up to 0.1 mm wrong; to these at most 0.005 mm.
    """
    return mesh_of(solid.refine_to_length(6.0))


def solid_of(mesh: Mesh) -> Manifold:
    """The solid a closed mesh encloses.

    Raises
    ------
    ValueError
        When the mesh is not closed and two-manifold.
    """
    solid = Manifold(manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64)))
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise ValueError(f"the mesh does not enclose a solid: {solid.status()}")
    return solid


def cylinder(radius: float, height: float, *, top_radius: float = -1.0) -> Manifold:
    """A cylinder or cone on the xy plane, along z."""
    return Manifold.cylinder(height, radius, top_radius, SEGMENTS)


def rod(start: ArrayLike, end: ArrayLike, radius: float) -> Manifold:
    """A cylinder between two points."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = float(np.linalg.norm(end - start))
    placed = np.column_stack([turn_to((end - start) / length), start])
    return cylinder(radius, length).transform(placed)


def box(size: ArrayLike, centre: ArrayLike = (0, 0, 0)) -> Manifold:
    """A box by its size and its centre."""
    return Manifold.cube(tuple(np.asarray(size, float)), True).translate(tuple(np.asarray(centre, float)))


def rounded_plate(length: float, width: float, thickness: float, corner: float) -> Manifold:
    """A plate on the xy plane with rounded corners."""
    outline = CrossSection.square((length - 2 * corner, width - 2 * corner), True)
    return outline.offset(corner, manifold3d.JoinType.Round, circular_segments=SEGMENTS).extrude(thickness)


def turned(profile: Sequence[tuple[float, float]] | FloatArray) -> Manifold:
    """A solid of revolution about z from a closed outline of (radius, height) points, counter-clockwise."""
    outline = CrossSection([np.asarray(profile, float)], manifold3d.FillRule.NonZero)
    return outline.revolve(SEGMENTS)


def prism(outline: Sequence[tuple[float, float]] | FloatArray, height: float) -> Manifold:
    """An outline in the xy plane, extruded along z."""
    return CrossSection([np.asarray(outline, float)], manifold3d.FillRule.NonZero).extrude(height)


def union(*solids: Manifold) -> Manifold:
    """All solids as one."""
    return Manifold.batch_boolean(list(solids), manifold3d.OpType.Add)


def turn_to(direction: ArrayLike) -> FloatArray:
    """A rotation (3, 3) that takes z to a direction; the spin about it is arbitrary but always the same."""
    z = np.asarray(direction, float) / np.linalg.norm(direction)
    x = np.cross((0.0, 1.0, 0.0) if abs(z[1]) < 0.9 else (1.0, 0.0, 0.0), z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])
