"""``plane-strip``: the table, the floor and the wall go; a part's own flat faces stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.formats.removed import Why, write_removed
from pipeline.geometry.gauge import Gauge, gauge
from pipeline.geometry.outline import outline_of
from pipeline.geometry.rough_ground import rough_ground
from pipeline.geometry.samples import Samples, samples_of
from pipeline.geometry.support_plane import MOST_PLANES, PARALLEL, Plane, planes
from pipeline.geometry.surroundings import remembering
from pipeline.part import BoolArray, Capture, FloatArray, Form, Part
from pipeline.stage import Measure, Stage, StageContext

FEWEST_POINTS = 100


class PlaneStrip(Stage):
    """Finds the plane that carries the scene by what it does, and removes it with what lies beneath."""

    takes: ClassVar[Form] = "captures"
    gives: ClassVar[Form] = "captures"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "planes_count": Measure("count", "planes removed, of all captures"),
            "removed_percent": Measure("percent", "share of all points removed"),
            "cut_height_mm": Measure("mm", "largest height above its plane at which a capture was cut"),
            "confidence_ratio": Measure("ratio", "least confidence of a removed plane, 0 to 1"),
        }
    )

    stage: Literal["plane-strip"] = "plane-strip"
    cut_height_mm: float | None = Field(None, gt=0)
    """Height above the plane up to which points are removed; unset, from the plane's own residual."""
    sure_ratio: float = Field(0.6, gt=0, le=1)
    """A plane is removed without a question when it passes the tests of a support by at least this."""
    unsure_ratio: float = Field(0.15, gt=0, le=1)
    """Between this and ``sure_ratio`` the plane stays and the result says so."""
    keep_removed: bool = False
    """Write what was removed beside the result, as removed-plane-strip-1.ply for the first capture and so on."""

    def run(self, part: Part, context: StageContext) -> Part:
        removed, cuts, confidence = 0, [0.0], [1.0]
        count, captures = 0, []
        for number, capture in enumerate(part.captures, 1):
            if len(capture.points) < FEWEST_POINTS:
                captures.append(capture)
                continue
            samples = samples_of(capture)
            lengths = gauge(samples.points)
            found = self._boards(samples, lengths, part.declared.diagonal_mm, context, capture.name)
            keep = np.ones(len(samples.points), bool)
            for plane in found.cut:
                cut = self.cut_height_mm or plane.cut
                keep &= plane.height(samples.points) > cut
                cuts.append(cut)
                confidence.append(plane.confidence)
            count += len(found.cut)
            keep_points = samples.kept_points(keep, len(capture.points))
            if self.keep_removed:
                write_removed(context.folder, self.stage, number, capture, np.where(keep_points, Why.KEPT, Why.BOARD))
            stripped = _stripped(capture, keep_points, samples.points[~keep], found.support, max(cuts))
            captures.append(remembering(stripped, samples, ~keep))
            removed += len(capture.points) - len(captures[-1].points)
        context.measure("planes_count", count)
        context.measure("removed_percent", 100.0 * removed / max(part.point_count, 1))
        context.measure("cut_height_mm", max(cuts))
        context.measure("confidence_ratio", min(confidence))
        return part.with_captures(captures)

    def _boards(
        self,
        samples: Samples,
        lengths: Gauge,
        part_size: float,
        context: StageContext,
        name: str,
    ) -> _Boards:
        """The planes to remove and the one that carries the scene; a doubtful one is said and left."""
        candidates = planes(samples.points, samples.normals, lengths.spacing, lengths.noise, part_size)
        plain = [plane for plane in candidates if plane.is_plain(lengths.noise, lengths.spacing)]
        rough = [
            plane for plane in candidates if plane.is_ground and not plane.is_plain(lengths.noise, lengths.spacing)
        ]
        plain = [plane for plane in plain if not any(plane.is_top_over(ground) for ground in rough)]
        sure = [plane for plane in plain if plane.confidence >= self.sure_ratio]
        boards = [plane for plane in sure if not any(plane.lies_on(other) for other in sure)]
        if len(boards) < len(sure):
            context.doubt(
                "support-unsure",
                f"{name}: a flat face low over the table may be a board or a face of the part, and was left in.",
                "Look at the result. Scan the part on the table itself or on a riser, without a board between.",
                name,
            )
        if boards:
            # A wall bounds the scene as well, but nothing stands on it.
            support = max(boards, key=lambda plane: plane.contact)
            return _Boards(boards[:MOST_PLANES], support.equation)
        if rough:
            return _Boards([], max(rough, key=lambda plane: plane.hull_area).equation)
        unsure = [plane for plane in plain if plane.confidence >= self.unsure_ratio]
        if unsure:
            tests = unsure[0].tests
            weak = ", ".join(text for text, value in tests.items() if value <= max(0.8, min(tests.values())))
            context.doubt(
                "support-unsure",
                f"{name}: what looks like a large plane may be the table or a face of the part, and was not cut off as "
                f"the table. Not sure: {weak}.",
                f"Look at the result: is something of a table left in it? {_tell_more(part_size)}",
                name,
            )
        ground = rough_ground(samples.points, samples.normals, lengths.spacing, lengths.noise)
        if ground.suspected and ground.equation is None and not unsure:
            context.doubt(
                "support-unsure",
                f"{name}: no table was found, yet the scene ends all round in something that looks up, as ground does.",
                f"Look at the result. {_tell_more(part_size)}",
                name,
            )
        return _Boards([], _levelled(ground.equation, plain))


@dataclass(frozen=True)
class _Boards:
    cut: list[Plane]
    support: FloatArray | None


def _tell_more(part_size: float) -> str:
    """What would tell a table from the part: its size, where that is not known yet."""
    if np.isinf(part_size):
        return "Give the part's size in the ticket (expected_size_mm) and send it again."
    return "Scan it again with more of the bare table in view on all sides of the part."


def _levelled(ground: FloatArray | None, plain: list[Plane]) -> FloatArray | None:
    """The board that everything on the ground stands on, where one is seen; the ground is told from undersides."""
    if ground is None:
        return None
    along = [plane for plane in plain if plane.carries and float(plane.equation[:3] @ ground[:3]) > PARALLEL]
    return max(along, key=lambda plane: plane.hull_area).equation if along else ground


def _stripped(
    capture: Capture, keep: BoolArray, gone: FloatArray, support: FloatArray | None, thickness: float
) -> Capture:
    """The capture without its boards, with the support and how far it was seen."""
    if support is None:
        return capture
    own = gone[np.abs(gone @ support[:3] + support[3]) < thickness]
    return replace(capture.select(keep), support_plane=support, support_outline=outline_of(own, support[:3]))
