"""``measurement``: size, volume, mass, and planes, cylinders and balls fitted where the recipe asks for them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from pipeline.geometry.fits import Fit, fitted
from pipeline.geometry.measure import area, caliper_extents, centroid, face_areas, volume
from pipeline.geometry.region import Region, grown, points_of
from pipeline.geometry.sampling import noise_level
from pipeline.geometry.size import is_closed
from pipeline.part import FloatArray, Form, Mesh, Part, transformed
from pipeline.stage import Measure, Stage, StageContext

MOST_FITS = 6
MM3_PER_CM3 = 1000.0
REFERENCE_C = 20.0
"""The temperature to which sizes on drawings refer (ISO 1)."""
GUESSED_SIZE = 0.0005
"""A size that filled surface makes greater by this share of the part's largest is said to rest on a guess."""
OFF = 0.05
"""A place farther from the measured surface than this share of the part's size is not on it."""
BLOWN_UP = 5.5
"""A radius less sure than this many times that of a full round: an arc under 120 degrees, a cap under 60."""
REACH_NOISES = 6.0


class FeatureFit(BaseModel):
    """A plane, cylinder or ball to be fitted to the surface around a place."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )

    shape: Literal["plane", "cylinder", "sphere"]
    """What the surface should be there."""
    seed_mm: tuple[float, float, float]
    """A place on it, in the frame of the deliverable."""
    within_mm: float | None = Field(None, gt=0)
    """How far from the seed the region may go; unset, as far as the shape fits."""
    height_mm: float | None = Field(None, gt=0)
    """Height of a level band about the seed, along the deliverable's z, that the region must keep to."""
    name: str | None = Field(None, max_length=60)
    """What people call it, for the messages."""

    @property
    def called(self) -> str:
        """Its name, shape and place, for people."""
        x, y, z = self.seed_mm
        told = f"the {self.shape} at ({x:g}, {y:g}, {z:g}) mm"
        return told if self.name is None else f"{self.name}, {told}"


def _fit_measures() -> dict[str, Measure]:
    texts = {
        "radius_mm": ("mm", "radius (not of a plane)"),
        "radius_deviation_mm": ("mm", "predicted standard deviation of the radius, as if errors were independent"),
        "form_mm": ("mm", "range of the distances about the least-squares shape (flatness, roundness in space)"),
        "rms_mm": ("mm", "root mean square distance from the shape"),
        "x_mm": ("mm", "x of its centre, of the middle of a plane, of a place on the axis"),
        "y_mm": ("mm", "y of it"),
        "z_mm": ("mm", "z of it"),
        "tilt_deg": ("deg", "angle between its axis or normal and the deliverable's z, 0 to 90 (not of a ball)"),
        "points_count": ("count", "points or vertices used"),
    }
    return {
        f"fit_{k}_{name}": Measure(unit, f"fit {k} of the recipe, {text}")  # type: ignore[arg-type]
        for k in range(1, MOST_FITS + 1)
        for name, (unit, text) in texts.items()
    }


class Measurement(Stage):
    """Measures the finished mesh in the frame of the deliverable. Lengths are as at the temperature of scanning."""

    takes: ClassVar[Form] = "mesh"
    gives: ClassVar[Form] = "mesh"
    alters: ClassVar[bool] = False
    finishing: ClassVar[bool] = True
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            **{
                f"extent_{axis}_mm": Measure("mm", f"size along the deliverable's {axis}, what noise raises left out")
                for axis in "xyz"
            },
            **{
                f"measured_extent_{axis}_mm": Measure("mm", f"the same along {axis} of what captures measured alone")
                for axis in "xyz"
            },
            **{
                f"extent_{axis}_at_20_mm": Measure(
                    "mm", f"the size along {axis} as at 20 degrees, where it was asked for"
                )
                for axis in "xyz"
            },
            "area_mm2": Measure("mm2", "area of the surface"),
            "measured_area_mm2": Measure("mm2", "area that captures measured"),
            "volume_mm3": Measure("mm3", "volume, where the surface is closed"),
            "mass_g": Measure("g", "mass, where the surface is closed and a density is given"),
            **{
                f"centroid_{axis}_mm": Measure("mm", f"{axis} of the volume's centroid, where the surface is closed")
                for axis in "xyz"
            },
            **_fit_measures(),
        }
    )

    stage: Literal["measurement"] = "measurement"
    density_g_cm3: float | None = Field(None, gt=0)
    """Density of the material, for the mass."""
    expansion_per_k: float | None = Field(None, gt=0, lt=1e-3)
    """Thermal expansion of the material, for the sizes as at 20 degrees Celsius; of steel about 11.5e-6."""
    temperature_c: float = Field(REFERENCE_C, ge=-40, le=80)
    """Temperature of the part while it was scanned, degrees Celsius."""
    fits: tuple[FeatureFit, ...] = Field((), max_length=MOST_FITS)
    """Shapes to fit; the first gives `fit_1_radius_mm` and so on. Each is grown from its seed over connected measured
    surface, never over filled one, and fitted by least squares of the orthogonal distances."""
    fit_to: Literal["surface", "points"] = "surface"
    """What the shapes are fitted to: the denoised surface, or the captured points on it, whose noise is then part of
    the form."""
    left_out_percent: float = Field(0.3, ge=0, le=10)
    """Largest share of the points farthest off that is left out before each shape is fitted once more."""

    def words(self, name: str) -> str:
        """What a measure is; of a fit, which of the recipe's."""
        told, fit = super().words(name), re.match(r"fit_(\d)_", name)
        if fit is None or int(fit[1]) > len(self.fits):
            return told
        return told.replace("of the recipe", f"({self.fits[int(fit[1]) - 1].called})")

    def run(self, part: Part, context: StageContext) -> Part:
        if part.mesh is None or len(part.mesh.faces) == 0:
            raise ValueError("measurement needs a mesh")
        mesh = replace(part.mesh, vertices=transformed(part.mesh.vertices, part.deliverable_from_part))
        noise = max((noise_level(capture.points) for capture in part.captures), default=0.0)
        self._measure_size(part, mesh, noise, context)
        if self.expansion_per_k is None and self.temperature_c != REFERENCE_C:
            context.warn(
                f"No size is told as at 20 degrees: of a part at {self.temperature_c:g} degrees the recipe must say "
                "how its material expands (expansion_per_k)."
            )
        for k, wanted in enumerate(self.fits, 1):
            self._fit(k, wanted, part, mesh, noise, context)
        return part

    def _measure_size(self, part: Part, mesh: Mesh, noise: float, context: StageContext) -> None:
        extents, measured = caliper_extents(mesh.vertices, mesh.faces, noise), np.zeros(3)
        if not mesh.filled.all():
            measured = caliper_extents(mesh.vertices, mesh.faces[~mesh.filled], noise)
        for axis, extent, seen in zip("xyz", extents, measured, strict=True):
            context.measure(f"extent_{axis}_mm", float(extent))
            context.measure(f"measured_extent_{axis}_mm", float(seen))
            if self.expansion_per_k is not None:
                grown_by = 1 + self.expansion_per_k * (self.temperature_c - REFERENCE_C)
                context.measure(f"extent_{axis}_at_20_mm", float(extent) / grown_by)
            if extent - seen > GUESSED_SIZE * float(extents.max()):
                context.warn(
                    f"The size of {part.name} along {axis}, {extent:.2f} mm, rests on filled surface; what captures "
                    f"measured reaches over {seen:.2f} mm."
                )
        areas = face_areas(mesh.vertices, mesh.faces)
        context.measure("area_mm2", area(mesh.vertices, mesh.faces))
        context.measure("measured_area_mm2", float(areas[~mesh.filled].sum()))
        size = volume(mesh.vertices, mesh.faces)
        if not is_closed(mesh.faces) or size <= 0:
            if self.density_g_cm3 is not None:
                context.warn(f"The surface of {part.name} is not closed: its mass was not measured.")
            return
        context.measure("volume_mm3", size)
        if self.density_g_cm3 is not None:
            context.measure("mass_g", size / MM3_PER_CM3 * self.density_g_cm3)
        for axis, at in zip("xyz", centroid(mesh.vertices, mesh.faces), strict=True):
            context.measure(f"centroid_{axis}_mm", float(at))

    def _fit(self, k: int, wanted: FeatureFit, part: Part, mesh: Mesh, noise: float, context: StageContext) -> None:
        called = f"fit {k}" + (f" ({wanted.name})" if wanted.name else "")
        seed, left_out = np.array(wanted.seed_mm), self.left_out_percent / 100
        middles = mesh.vertices[mesh.faces].mean(axis=1)
        allowed = ~mesh.filled
        if wanted.within_mm is not None:
            allowed &= np.linalg.norm(middles - seed, axis=1) <= wanted.within_mm
        if wanted.height_mm is not None:
            allowed &= np.abs(middles[:, 2] - seed[2]) <= wanted.height_mm / 2
        region = grown(mesh, seed, wanted.shape, allowed, noise, left_out)
        fit = None if region is None else region.fit
        if region is not None and self.fit_to == "points":
            fit = self._through_points(wanted, part, mesh, region, noise)
        if region is None or fit is None or region.away > OFF * float(np.ptp(mesh.vertices, axis=0).max()):
            x, y, z = seed
            context.doubt(
                "fit-impossible",
                f"No measured {wanted.shape} was found at ({x:.1f}, {y:.1f}, {z:.1f}) mm of {part.name} for {called}.",
                "Look whether the place was scanned, and whether the seed lies on the surface in the deliverable.",
            )
            return
        _record(k, fit, context)
        if fit.blown_up > BLOWN_UP:
            context.warn(
                f"The radius of {called} rests on a small part of its round: it is {fit.blown_up:.0f} times less sure "
                f"than of a full one (standard deviation at least {fit.radius_deviation:.3f} mm)."
            )

    def _through_points(self, wanted: FeatureFit, part: Part, mesh: Mesh, region: Region, noise: float) -> Fit | None:
        datum = part.deliverable_from_part
        points = [transformed(capture.points_in_part(), datum) for capture in part.captures if len(capture.points)]
        if not points:
            return None
        on_region = points_of(mesh, region, np.concatenate(points), REACH_NOISES * noise)
        axis: FloatArray | None = region.fit.axis if wanted.shape == "cylinder" else None
        return fitted(wanted.shape, on_region, axis=axis, left_out=self.left_out_percent / 100)


def _record(k: int, fit: Fit, context: StageContext) -> None:
    if fit.kind != "plane":
        context.measure(f"fit_{k}_radius_mm", fit.radius)
        context.measure(f"fit_{k}_radius_deviation_mm", fit.radius_deviation)
    if fit.kind != "sphere":
        context.measure(f"fit_{k}_tilt_deg", float(np.degrees(np.arccos(np.clip(abs(fit.axis[2]), 0, 1)))))
    context.measure(f"fit_{k}_form_mm", fit.form)
    context.measure(f"fit_{k}_rms_mm", fit.rms)
    context.measure(f"fit_{k}_points_count", int(fit.used.sum()))
    for axis, at in zip("xyz", fit.centre, strict=True):
        context.measure(f"fit_{k}_{axis}_mm", float(at))
