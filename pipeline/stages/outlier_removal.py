"""``outlier-removal``: flying points, strays and small floating groups go, sparse surface stays."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.errors import Outcome
from pipeline.formats.removed import write_removed
from pipeline.geometry.gauge import gauge
from pipeline.geometry.outliers import Cause, outliers
from pipeline.geometry.samples import samples_of
from pipeline.part import Capture, Form, Part
from pipeline.stage import Measure, Stage, StageContext

FEWEST_POINTS = 100


class OutlierRemoval(Stage):
    """Removes points that belong to no surface, each judged against its own neighbourhood."""

    takes: ClassVar[Form] = "captures"
    gives: ClassVar[Form] = "captures"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "strays_count": Measure("count", "points removed that lie far from a denser surface"),
            "flying_count": Measure("count", "points removed from clouds at depth edges"),
            "floating_count": Measure("count", "points removed as small floating groups"),
            "removed_percent": Measure("percent", "share of all points removed"),
        }
    )

    stage: Literal["outlier-removal"] = "outlier-removal"
    density_ratio: float = Field(3.5, gt=1)
    """How many times further its neighbours may lie than theirs do; larger removes less."""
    smallest_group_count: int = Field(60, ge=1)
    """A connected group of fewer points is no surface and is removed."""
    most_removed_percent: float = Field(10.0, gt=0, le=100)
    """More than this removed from a capture brings a doubt: then it is the capture that needs a look."""
    keep_removed: bool = False
    """Write what was removed beside the result, as removed-outlier-removal-1.ply for the first capture and so on."""

    def run(self, part: Part, context: StageContext) -> Part:
        totals = np.zeros(len(Cause), int)
        captures = []
        for number, capture in enumerate(part.captures, 1):
            if len(capture.points) < FEWEST_POINTS:
                context.stop(
                    Outcome.RESCAN,
                    "capture-empty",
                    f"{capture.name} holds only {len(capture.points)} points.",
                    "Scan this side again.",
                    capture.name,
                )
            cause = self._causes(capture)
            totals += np.bincount(cause, minlength=len(Cause))
            removed = 100.0 * float(np.mean(cause > 0))
            if removed > self.most_removed_percent:
                context.doubt(
                    "many-outliers",
                    f"{removed:.0f} % of the points of {capture.name} lie on no surface and were removed.",
                    "Look whether the part moved, shone or was tracked badly while this side was scanned.",
                    capture.name,
                )
            if self.keep_removed:
                write_removed(context.folder, self.stage, number, capture, cause)
            captures.append(capture.select(cause == 0))
        context.measure("strays_count", totals[Cause.STRAY])
        context.measure("flying_count", totals[Cause.FLYING])
        context.measure("floating_count", totals[Cause.FLOATING_GROUP])
        context.measure("removed_percent", 100.0 * totals[1:].sum() / max(totals.sum(), 1))
        return part.with_captures(captures)

    def _causes(self, capture: Capture) -> np.ndarray:
        samples = samples_of(capture)
        lengths = gauge(samples.points)
        cause = outliers(
            samples.points,
            samples.normals,
            lengths.spacing,
            lengths.noise,
            density_ratio=self.density_ratio,
            smallest_group=self.smallest_group_count,
        )
        keep = samples.kept_points(cause == 0, len(capture.points))
        own = cause[: len(capture.points)]
        return np.where(keep, Cause.KEPT, np.where(own > 0, own, Cause.STRAY)).astype(np.uint8)
