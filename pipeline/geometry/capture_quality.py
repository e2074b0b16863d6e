"""How good a capture is, before anything is made of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.constraint import Constraint, constraint
from pipeline.geometry.facing import Facing, facing_of
from pipeline.geometry.measure import area
from pipeline.geometry.samples import samples_of
from pipeline.geometry.tangent_patches import tangent_patches
from pipeline.part import Capture

MIDDLE_PERCENT = (1.0, 99.0)


@dataclass(frozen=True, eq=False, slots=True)
class Quality:
    """What one capture is worth.

    Attributes
    ----------
    density_per_mm2 : measured points on a square millimetre of surface
    densest_per_mm2 : the same in the densest tenth of the points
    evenness_ratio : 1 for points at random, 2.15 on a hexagonal grid, less where they crowd; None for a mesh, whose
        vertices lie where its mesher put them
    noise_mm : standard deviation of the points about the smooth surface through them
    extent_mm : diagonal of the box that holds the middle 98 % of the points along each axis
    facing : which way its surface looks
    hold : how firmly its surface holds a rigid motion
    """

    density_per_mm2: float
    densest_per_mm2: float
    evenness_ratio: float | None
    noise_mm: float
    extent_mm: float
    facing: Facing
    hold: Constraint


def quality(capture: Capture) -> Quality:
    """Judge a capture of at least three points; a cloud of a million takes about a second."""
    samples = samples_of(capture)
    patches = tangent_patches(samples.points)
    low, high = np.percentile(patches.points, MIDDLE_PERCENT, axis=0)
    meshed = capture.faces is not None and len(capture.faces) > 0
    density, densest = patches.density_per_mm2, patches.densest_per_mm2
    if capture.faces is not None and meshed:
        density = densest = len(capture.points) / max(area(capture.points, capture.faces), np.finfo(float).tiny)
    surface = patches.on_surface
    return Quality(
        density_per_mm2=density,
        densest_per_mm2=densest,
        evenness_ratio=None if meshed else patches.evenness,
        noise_mm=patches.noise_mm,
        extent_mm=float(np.linalg.norm(high - low)),
        facing=facing_of(capture, patches, samples.normals),
        hold=constraint(patches.points[surface], patches.normals[surface], patches.area[surface]),
    )
