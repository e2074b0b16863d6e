"""`meshing`: the captures fused into one surface that is there only where something was measured."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.errors import Outcome
from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.fuse import Fused, Lengths, Wanted, fused
from pipeline.geometry.measure import edge_lengths
from pipeline.geometry.pool import pooled
from pipeline.geometry.sampling import noise_level
from pipeline.geometry.weld import welded_mesh
from pipeline.part import Capture, Form, Mesh, Part
from pipeline.stage import Measure, Stage, StageContext

FEWEST_POINTS = 100
SURE_OUTSIDE = 0.1
ROUGH_SPACINGS = 0.5
"""Below so much noise, in spacings, no two surfaces were taken for one."""
UNLIKE = 1.8
"""All captures together may scatter so many times as much as the quietest one: they are not all alike."""


class Meshing(Stage):
    """Fuses the captures into a surface: denoised, with its sharp edges, open where nothing was measured."""

    takes: ClassVar[Form] = "captures"
    gives: ClassVar[Form] = "mesh"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "spacing_mm": Measure("mm", "typical distance between neighbouring points of all captures together"),
            "noise_mm": Measure("mm", "standard deviation of the points about the smooth surface through them"),
            "cell_mm": Measure("mm", "edge length of the grid: vertices lie about that far apart"),
            "support_mm": Measure("mm", "how far from the nearest point surface still counts as measured"),
            "unsupported_removed_percent": Measure("percent", "share of the faces that no point supported"),
            "capture_disagreement_mm": Measure("mm", "how far captures lie apart where they show the same surface"),
            "pieces_removed_count": Measure("count", "separate crumbs of surface left out"),
            "boundary_loops_count": Measure("count", "borders where the surface is open"),
        }
    )

    stage: Literal["meshing"] = "meshing"
    cell_mm: Annotated[float, Field(gt=0)] | None = None
    """Edge length of the grid in millimetres; vertices lie about that far apart. Smaller keeps more detail and
    more noise. From the data: twice the point spacing, or four times the noise where that is more."""
    support_mm: Annotated[float, Field(gt=0)] | None = None
    """How far from the nearest measured point surface may be, in millimetres; gaps up to about twice that are
    spanned, wider ones stay open for hole-fill. From the data: two cells."""
    smallest_piece_percent: Annotated[float, Field(ge=0, le=50)] = 0.5
    """Separate pieces of surface with fewer faces than this share of all are left out as crumbs."""

    def run(self, part: Part, context: StageContext) -> Part:
        self._refuse(part, context)
        alone = part.captures[0] if len(part.captures) == 1 else None
        mesh = (
            self._taken_over(alone, context)
            if alone is not None and alone.faces is not None
            else self._fused(part, context)
        )
        if mesh is None or len(mesh.faces) == 0:
            context.stop(
                Outcome.RESCAN,
                "no-surface",
                f"The captures of {part.name} give no surface: their points are too few or too scattered.",
                "Scan the part again, closer and slower.",
            )
        return part.with_mesh(mesh)

    def _refuse(self, part: Part, context: StageContext) -> None:
        if part.point_count < FEWEST_POINTS and all(capture.faces is None for capture in part.captures):
            context.stop(
                Outcome.RESCAN,
                "no-points",
                f"{part.name} has only {part.point_count} points left to make a surface from.",
                "Look at what the cleaning removed. Scan the part again, unless that was the part.",
            )
        frames = [capture.part_from_capture for capture in part.captures]
        unplaced = all(np.array_equal(frame, np.eye(4)) for frame in frames)
        if len(frames) > 1 and unplaced and not part.aligned:
            context.stop(
                Outcome.FAILED,
                "not-aligned",
                f"The {len(frames)} captures of {part.name} have not been brought into one frame.",
                "Add an `alignment` stage before `meshing` in the recipe, or write `aligned: true` in the ticket "
                "when the captures share a frame already.",
            )

    def _taken_over(self, capture: Capture, context: StageContext) -> Mesh:
        mesh = welded_mesh(capture)
        spacing = float(np.median(edge_lengths(mesh.vertices, mesh.faces))) if len(mesh.faces) else 0.0
        _record(context, Lengths(spacing, 0.0, spacing, 0.0))
        context.measure("boundary_loops_count", len(boundary_loops(mesh.faces)))
        return mesh

    def _fused(self, part: Part, context: StageContext) -> Mesh | None:
        wanted = Wanted(self.cell_mm, self.support_mm, self.smallest_piece_percent)
        pool = pooled(part.captures)
        lengths, result = fused(pool, wanted)
        _record(context, lengths, result)
        if result is None:
            return None
        context.measure("boundary_loops_count", result.loops_count)
        self._judge(part, lengths, result, context, normals_given=pool.normals is not None)
        return result.mesh

    def _judge(
        self, part: Part, lengths: Lengths, result: Fused, context: StageContext, *, normals_given: bool
    ) -> None:
        if result.pieces_removed_count:
            context.warn(f"{result.pieces_removed_count} separate crumbs of surface were left out.")
        if normals_given and not result.normals_used:
            context.warn("The captures' normals point to both sides of the surface; they were estimated anew.")
        if result.outside_sure < SURE_OUTSIDE:
            context.doubt(
                "outside-unsure",
                f"The captures of {part.name} carry no usable normals, and their shape does not tell inside from "
                "outside.",
                "Check which way the surface faces; export the captures with normals.",
            )
        self._judge_walls(part, lengths, context)
        bearable = max(2 * lengths.noise, 0.25 * lengths.spacing)
        if result.disagreement_mm > bearable:
            context.doubt(
                "captures-disagree",
                f"The captures of {part.name} lie {result.disagreement_mm:.2f} mm apart where they overlap; their "
                f"noise explains {bearable:.2f} mm.",
                "Look for a doubled surface. Scan the part again without moving it.",
            )

    def _judge_walls(self, part: Part, lengths: Lengths, context: StageContext) -> None:
        """Both faces of a sheet as thin as the points are apart pass for one rough surface."""
        if len(part.captures) < 2 or lengths.noise < ROUGH_SPACINGS * lengths.spacing:
            return
        quietest = min(noise_level(capture.points) for capture in part.captures)
        if lengths.noise > UNLIKE * quietest:
            context.doubt(
                "walls-unsure",
                f"The points of {part.name} scatter by {lengths.noise:.2f} mm about one surface, those of its quietest "
                f"capture by {quietest:.2f} mm: two surfaces that lie so close, of a thin wall or of one that is there "
                "twice, were taken for one.",
                "Measure the thickness of thin walls on the part itself; scan them closer, so that the points scatter "
                "less. Look for a doubled surface.",
            )


def _record(context: StageContext, lengths: Lengths, result: Fused | None = None) -> None:
    context.measure("spacing_mm", lengths.spacing)
    context.measure("noise_mm", lengths.noise)
    context.measure("cell_mm", lengths.cell)
    context.measure("support_mm", lengths.support)
    context.measure("unsupported_removed_percent", result.unsupported_percent if result else 0.0)
    context.measure("pieces_removed_count", result.pieces_removed_count if result else 0)
    context.measure("capture_disagreement_mm", result.disagreement_mm if result else 0.0)
