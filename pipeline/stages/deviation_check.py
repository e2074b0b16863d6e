"""`deviation-check`: how far the captured points lie from the deliverable, as it was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.formats import read_mesh
from pipeline.formats.evidence import Evidence, write_evidence
from pipeline.geometry.deviation import Deviation, Surface, summary, surface_to_points
from pipeline.geometry.evidence import cell_size, spread
from pipeline.geometry.measure import face_areas
from pipeline.geometry.sampling import FARTHEST_SPACINGS, noise_level, point_spacing, rough_tree
from pipeline.part import FloatArray, Form, Mesh, Part, transformed
from pipeline.places import carried
from pipeline.stage import Measure, Stage, StageContext

NOISES = 4.0
"""Without a tolerance: four standard deviations of the noise, which one point in 16,000 exceeds by chance."""
SPACINGS = 5.0
"""Surface farther than this many point spacings from every point was not measured."""
SPARSE_PERCENT = 1.0
"""From this share of the surface on it is worth a word."""
STRAY = 10.0
"""Points farther off than this many tolerances are strays, and named by place."""


class DeviationCheck(Stage):
    """Signed distance of every kept point of every capture to the surface that goes to the client.

    Where files were written already, the first is read again from disk and its unit and pose undone, so that
    what is checked is what the client gets.
    """

    takes: ClassVar[Form] = "mesh"
    gives: ClassVar[Form] = "mesh"
    alters: ClassVar[bool] = False
    finishing: ClassVar[bool] = True
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "points_count": Measure("count", "points compared"),
            "tolerance_mm": Measure("mm", "tolerance used"),
            "mean_mm": Measure("mm", "mean signed distance, positive outside"),
            "rms_mm": Measure("mm", "root mean square distance"),
            "p95_mm": Measure("mm", "distance within which 95 % of the points lie"),
            "p99_mm": Measure("mm", "distance within which 99 % of the points lie"),
            "max_mm": Measure("mm", "distance of the farthest point"),
            "beyond_tolerance_percent": Measure("percent", "share of the points farther off than the tolerance"),
            "strays_count": Measure("count", f"points farther off than {STRAY:g} tolerances"),
            "between_captures_mm": Measure("mm", "largest difference between the captures' mean signed distances"),
            "unmeasured_percent": Measure("percent", "share of the area that is flagged as filled"),
            "sparse_percent": Measure(
                "percent", "share of the area not flagged as filled that no point is nearer to than two point spacings"
            ),
            "unsupported_percent": Measure(
                "percent", "share of the area that is far from every point and yet not flagged"
            ),
        }
    )

    stage: Literal["deviation-check"] = "deviation-check"
    tolerance_mm: float | None = Field(default=None, gt=0)
    """Distance that counts as good; by default the ticket's tolerance, else four times the captures' noise."""

    def run(self, part: Part, context: StageContext) -> Part:
        captures = {capture.name: capture.points_in_part() for capture in part.captures if len(capture.points)}
        mesh = _judged(part, context)
        if not captures or len(mesh.faces) == 0:
            raise ValueError("deviation-check needs a mesh and captured points")
        points = np.concatenate(list(captures.values()))
        spacings, noises = zip(*map(_lengths, captures.values()), strict=True)
        tolerance = self.tolerance_mm or part.declared.tolerance_mm or _from_noise(noises, points)
        distances, _ = Surface(mesh.vertices, mesh.faces).signed_distance(points)
        ends = np.cumsum([len(side) for side in captures.values()])
        by_side = dict(zip(captures, np.split(distances, ends[:-1]), strict=True))
        _record(summary(distances, tolerance), tolerance, context)
        _compare_captures({name: summary(side, tolerance) for name, side in by_side.items()}, context)
        _name_strays(points, distances, STRAY * tolerance, context)
        spacing = max(spacings)
        _measure_support(part, points, SPACINGS * spacing, context)
        if part.mesh is not None:
            _keep_evidence(part.mesh, captures, by_side, spacing, context)
        return part


def _judged(part: Part, context: StageContext) -> Mesh:
    """The mesh as the client gets it, in the part's frame and millimetres."""
    if not part.deliverables:
        if part.mesh is None:
            raise ValueError("deviation-check needs a mesh")
        return part.mesh
    first = part.deliverables[0]
    mesh = read_mesh(context.folder / first.file, format=first.format, unit=first.unit)
    part_from_deliverable = np.linalg.inv(part.deliverable_from_part).astype(np.float64)
    return Mesh(transformed(mesh.vertices, part_from_deliverable), mesh.faces)


def _lengths(points: FloatArray) -> tuple[float, float]:
    """Spacing and noise of a capture, mm."""
    tree = rough_tree(points)
    return point_spacing(points, tree) if len(points) > 1 else 0.0, noise_level(points, tree)


def _from_noise(noises: Sequence[float], points: FloatArray) -> float:
    """The default tolerance, by the captures' median noise; never below what 32-bit deliverables resolve."""
    return max(NOISES * float(np.median(noises)), 1e-6 * float(np.ptp(points, axis=0).max()), 1e-9)


def _record(found: Deviation, tolerance: float, context: StageContext) -> None:
    context.measure("tolerance_mm", tolerance)
    _measure_distances(found, context)


def _measure_distances(found: Deviation, context: StageContext, *captures: str) -> None:
    for name in ("points_count", "mean_mm", "rms_mm", "p95_mm", "p99_mm", "max_mm", "beyond_tolerance_percent"):
        context.measure(name, getattr(found, name), *captures)


def _compare_captures(captures: Mapping[str, Deviation], context: StageContext) -> None:
    for name, found in captures.items():
        _measure_distances(found, context, name)
    means = {name: found.mean_mm for name, found in captures.items()}
    apart = max(means.values()) - min(means.values())
    context.measure("between_captures_mm", apart)
    if len(means) > 1:
        low, high = min(means, key=means.__getitem__), max(means, key=means.__getitem__)
        context.warn(
            f"The captures differ by {apart:.3f} mm on average: {low} lies {means[low]:+.3f} mm, "
            f"{high} lies {means[high]:+.3f} mm from the surface."
        )


def _name_strays(points: FloatArray, distances: FloatArray, reach: float, context: StageContext) -> None:
    strays = np.flatnonzero(np.abs(distances) > reach)
    context.measure("strays_count", len(strays))
    if len(strays):
        worst = strays[np.argmax(np.abs(distances[strays]))]
        context.warn(
            f"{len(strays)} captured points lie more than {reach:.2f} mm from the surface, the farthest "
            f"{distances[worst]:+.2f} mm at {carried(points[worst])}."
        )


def _measure_support(part: Part, points: FloatArray, reach: float, context: StageContext) -> None:
    """What of the surface no point stands for: as it is flagged, and as it is."""
    mesh = part.mesh
    if mesh is None or len(mesh.faces) == 0:
        context.measure("unmeasured_percent", 0.0)
        context.measure("unsupported_percent", 0.0)
        context.measure("sparse_percent", 0.0)
        return
    areas = face_areas(mesh.vertices, mesh.faces)
    context.measure("unmeasured_percent", 100 * float(areas[mesh.filled].sum() / areas.sum()))
    tree = rough_tree(points)
    places, away = surface_to_points(mesh, tree, 50 * reach)
    sparse = FARTHEST_SPACINGS * point_spacing(points, tree) if len(points) > 1 else 0.0
    for measure, limit, bearable, words in (
        ("unsupported_percent", reach, 0.0, "and is not flagged as filled"),
        ("sparse_percent", sparse, SPARSE_PERCENT, "(two point spacings): it is carried on between sparse points"),
    ):
        percent = 100 * float((away > limit).mean())
        context.measure(measure, percent)
        if percent > bearable:
            context.warn(
                f"{percent:.2f} % of the surface lies more than {limit:.2f} mm from every captured point {words}, "
                f"farthest {away.max():.2f} mm at {carried(places[away.argmax()])}."
            )


def _keep_evidence(
    mesh: Mesh,
    captures: Mapping[str, FloatArray],
    distances: Mapping[str, FloatArray],
    spacing: float,
    context: StageContext,
) -> None:
    """What the surface rests on, place by place, for the pictures of the report."""
    cell = cell_size(mesh, spacing)
    places = spread(mesh, list(captures.values()), list(distances.values()), cell)
    write_evidence(context.folder, Evidence(*places, tuple(captures), cell))
