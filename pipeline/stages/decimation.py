"""`decimation`: fewer triangles, within a proven distance of the mesh before."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.geometry.decimate import Decimated, to_count, to_tolerance
from pipeline.geometry.sampling import noise_level, point_spacing
from pipeline.part import Form, Part
from pipeline.stage import Measure, Stage, StageContext

FAR = 10.0
"""Times the noise: so far a number of triangles alone may move the surface without a word."""
SPACING_SHARE = 0.05
"""Without captures that tell the noise: this share of the distance between vertices."""


class Decimation(Stage):
    """Collapses edges where the surface does not need them; refuses rather than breaks the surface."""

    takes: ClassVar[Form] = "mesh"
    gives: ClassVar[Form] = "mesh"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "deviation_max_mm": Measure("mm", "largest distance between the surfaces before and after, both ways"),
            "deviation_mean_mm": Measure("mm", "mean distance between the surfaces before and after"),
            "allowed_mm": Measure("mm", "deviation allowed; 0 when only a number of triangles was asked for"),
            "reduction_percent": Measure("percent", "triangles taken away"),
            "tries_count": Measure("count", "candidates made and judged"),
        }
    )

    stage: Literal["decimation"] = "decimation"
    max_deviation_mm: float | None = Field(default=None, gt=0)
    """The surface may move by this much at most, proven by measuring both ways. When neither this nor a number
    of triangles is given: the captures' noise."""
    faces_count: int | None = Field(default=None, ge=4)
    """Triangles wanted. With ``max_deviation_mm`` as well, the deviation comes first."""

    def run(self, part: Part, context: StageContext) -> Part:
        mesh = part.mesh
        if mesh is None or len(mesh.faces) == 0:
            raise ValueError("decimation needs a mesh")
        allowed = self.max_deviation_mm
        if self.faces_count is not None:
            result = to_count(mesh, self.faces_count, allowed)
        else:
            allowed = allowed or _from_noise(part)
            result = to_tolerance(mesh, allowed)
        context.measure("deviation_max_mm", result.deviation_max_mm)
        context.measure("deviation_mean_mm", result.deviation_mean_mm)
        context.measure("allowed_mm", allowed or 0.0)
        context.measure("reduction_percent", 100 * (1 - len(result.mesh.faces) / len(mesh.faces)))
        context.measure("tries_count", result.tries)
        self._explain(len(mesh.faces), result, context)
        if allowed is None and result.deviation_max_mm > FAR * _from_noise(part):
            _warn_of_distance(result, context)
        return part.with_mesh(result.mesh)

    def _explain(self, before: int, result: Decimated, context: StageContext) -> None:
        after = len(result.mesh.faces)
        if self.faces_count is not None and after > 1.05 * self.faces_count + 2 and before > self.faces_count:
            why = f"fewer would harm the surface{f' ({result.refused[0]})' if result.refused else ''}"
            if self.max_deviation_mm is not None:
                why = "fewer would leave max_deviation_mm, which comes first, or harm the surface"
            context.warn(f"Kept {after} triangles instead of {self.faces_count}: {why}.")
        elif after == before and self.faces_count is None:
            context.warn(f"Kept all {before} triangles: fewer would leave the allowed deviation or harm the surface.")


def _warn_of_distance(result: Decimated, context: StageContext) -> None:
    context.warn(
        f"With {len(result.mesh.faces)} triangles the surface lies up to {result.deviation_max_mm:.2f} mm from "
        f"where it was, {result.deviation_mean_mm:.3f} mm on average: order more, or max_deviation_mm as well."
    )


def _from_noise(part: Part) -> float:
    """The captures' noise, or a share of the vertices' distance where there is none to see."""
    largest = max((capture for capture in part.captures), key=lambda capture: len(capture.points), default=None)
    noise = noise_level(largest.points) if largest is not None else 0.0
    if part.mesh is None:
        raise ValueError("decimation needs a mesh")
    floor = SPACING_SHARE * point_spacing(part.mesh.vertices)
    return max(noise, floor, 1e-7 * float(np.ptp(part.mesh.vertices, axis=0).max()))
