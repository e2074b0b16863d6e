"""``datum``: the deliverables in a standard pose, the same for every operator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import field_validator

from pipeline.geometry.datum_points import datum_from_points
from pipeline.geometry.sampling import noise_level
from pipeline.geometry.standard_pose import StandardPose, on_axes, on_base
from pipeline.part import FloatArray, Form, Mesh, Part, transformed
from pipeline.stage import Measure, Stage, StageContext

Point = tuple[float, float, float]


class Datum(Stage):
    """Puts the deliverables, not the part, into a standard pose; the manifest tells how they were moved."""

    takes: ClassVar[Form] = "mesh"
    gives: ClassVar[Form] = "mesh"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "base_area_mm2": Measure("mm2", "measured flat area that the part stands on; 0 without a base"),
            "base_flatness_mm": Measure("mm", "standard deviation of the base about its plane"),
            "distinct_ratio": Measure(
                "ratio", "how clearly the pose is told from the next best, 0 for a part that repeats itself"
            ),
            "turned_deg": Measure("deg", "angle by which the deliverables were turned against the part"),
        }
    )

    stage: Literal["datum"] = "datum"
    pose: Literal["base", "axes", "points", "keep"] = "base"
    """The pose: standing on its largest measured flat face (`base`, z up, x along its upright faces or its long axis),
    along its principal axes (`axes`, x the longest), by the `points` that the ticket or this recipe gives, or as it is
    (`keep`). A part without a flat face to stand on is put along its axes."""
    points_mm: tuple[Point, ...] | None = None
    """For `points`, in the part's frame: three (plane; the line from first to second becomes x, the first the origin)
    or six (3-2-1). The ticket's `datum` of a capture comes first."""

    @field_validator("points_mm")
    @classmethod
    def _three_or_six(cls, points: tuple[Point, ...] | None) -> tuple[Point, ...] | None:
        if points is not None and len(points) not in (3, 6):
            raise ValueError(f"a datum is given by three points or by six, not by {len(points)}")
        return points

    def run(self, part: Part, context: StageContext) -> Part:
        mesh = part.mesh
        if mesh is None or len(mesh.faces) == 0:
            raise ValueError("datum needs a mesh")
        if self.pose == "keep":
            motion: FloatArray | None = np.eye(4)
        elif self.pose == "points":
            motion = self._by_points(part, context)
        else:
            motion = self._by_shape(part, mesh, context)
        if motion is None:
            return part
        cosine = (np.trace(motion[:3, :3]) - 1) / 2
        context.measure("turned_deg", float(np.degrees(np.arccos(np.clip(cosine, -1, 1)))))
        return replace(part, deliverable_from_part=motion)

    def _by_points(self, part: Part, context: StageContext) -> FloatArray | None:
        told = [
            transformed(capture.datum_points, capture.part_from_capture)
            for capture in part.captures
            if len(capture.datum_points)
        ]
        remedy = "Write three points that do not lie in a line as `datum` of a capture into ticket.yaml."
        if not told and self.points_mm is None:
            context.doubt("no-datum-points", f"No datum points are given for {part.name}; it was not moved.", remedy)
            return None
        motion = datum_from_points(told[0] if told else np.array(self.points_mm))
        if motion is None:
            context.doubt("datum-points-in-line", f"The datum points of {part.name} fix no plane and line.", remedy)
        return motion

    def _by_shape(self, part: Part, mesh: Mesh, context: StageContext) -> FloatArray | None:
        by_base = self.pose == "base"
        found: StandardPose | None = on_base(mesh, _noise(part), _up(part)) if by_base else on_axes(mesh)
        if by_base and found is not None and found.base is None:
            context.warn("No flat face was measured that the part could stand on: it was put along its axes.")
        if found is None:
            context.warn(f"The surface of {part.name} encloses nothing that tells a pose: it was not moved.")
            return None
        context.measure("base_area_mm2", found.base.area_mm2 if found.base else 0.0)
        if found.base is not None:
            context.measure("base_flatness_mm", found.base.flatness_mm)
        context.measure("distinct_ratio", found.distinct)
        for doubt in found.doubts:
            context.warn(
                f"Another scan of {part.name} may come out otherwise: {doubt}. Give datum points if it matters."
            )
        return found.datum_from_part


def _up(part: Part) -> FloatArray | None:
    """Up in the part's frame, when there is only one capture and it knows the table it stood on."""
    only = part.captures[0] if len(part.captures) == 1 else None
    if only is None or only.support_plane is None:
        return None
    return np.asarray(only.part_from_capture[:3, :3] @ only.support_plane[:3], np.float64)


def _noise(part: Part) -> float:
    largest = max(part.captures, key=lambda capture: len(capture.points), default=None)
    return 0.0 if largest is None else noise_level(largest.points)
