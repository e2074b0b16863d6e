"""``clutter-removal``: paper, cloth, riser and hands go; the part stays whole."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.formats.removed import Why, write_removed
from pipeline.geometry.doubts import Uncertain
from pipeline.geometry.gauge import gauge
from pipeline.geometry.samples import samples_of
from pipeline.geometry.separation import separate
from pipeline.geometry.surroundings import remembering
from pipeline.part import Form, Part
from pipeline.stage import Measure, Stage, StageContext

FEWEST_POINTS = 100

# What could not be decided -> what is the matter, what to do.
QUESTIONS: Mapping[Uncertain, tuple[str, str]] = MappingProxyType(
    {
        Uncertain.RIVAL: (
            "two pieces could be the part; the likelier one was kept.",
            "Look at the pictures. Give the part's size in the ticket (expected_size_mm), or scan it alone.",
        ),
        Uncertain.TOUCHING: (
            "something touches the part; it was cut off where that costs least, or could not be told from it.",
            "Look at the pictures. Leave a finger's breadth between the part and everything else and scan again.",
        ),
        Uncertain.HELD: (
            "what was kept would fall over as it stands, so a hand or another thing may still be part of it.",
            "Look at the pictures. Scan the part without holding it.",
        ),
        Uncertain.COVERED: (
            "a cloth or paper covers the table, and the part stands right in it; its lower edge is not sure.",
            "Look at the pictures. Put the part on a riser, or scan it from another side as well.",
        ),
        Uncertain.CLIPPED: (
            "what was kept reaches out of the picture, as an arm does, or a part that was not scanned to its ends.",
            "Look at the pictures. Scan the part whole, with nothing but the bench around it.",
        ),
        Uncertain.HANGING: (
            "something beside the part hangs in the air, so it may belong to it; it was removed.",
            "Look at the pictures. Scan the side again with more looks into the shadows.",
        ),
        Uncertain.FOOT: (
            "what the part stands on may be a riser or its own foot.",
            "Look at the pictures. Give riser_height_mm in the ticket (0 without a riser).",
        ),
        Uncertain.CUT: (
            "the riser does not end at the height of the ticket: something of it may be left, or of the part gone.",
            "Look at the pictures. Measure the riser from the table to its top, paper or cloth included, and mend "
            "riser_height_mm in the ticket, or leave it out.",
        ),
        Uncertain.SIZE: (
            "what was kept is not as large as the ticket says the part is.",
            "Look at the pictures: is something missing or still touching, or are unit and expected_size_mm wrong?",
        ),
    }
)


class ClutterRemoval(Stage):
    """Chooses the part among what the support carries, and takes the riser from under it."""

    takes: ClassVar[Form] = "captures"
    gives: ClassVar[Form] = "captures"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "removed_percent": Measure("percent", "share of all points removed"),
            "confidence_ratio": Measure("ratio", "least confidence of a capture in what the part is, 0 to 1"),
            "riser_height_mm": Measure("mm", "greatest height of a riser removed; 0 when there was none"),
        }
    )

    stage: Literal["clutter-removal"] = "clutter-removal"
    sure_ratio: float = Field(0.6, gt=0, le=1)
    """Below this confidence in what the part is, a person should look."""
    keep_removed: bool = False
    """Write what was removed beside the result, as removed-clutter-removal-1.ply for the first capture and so on."""

    def run(self, part: Part, context: StageContext) -> Part:
        captures, confidence, risers = [], [1.0], [0.0]
        for number, capture in enumerate(part.captures, 1):
            if len(capture.points) < FEWEST_POINTS:
                captures.append(capture)
                continue
            samples = samples_of(capture)
            found = separate(
                samples.points,
                samples.normals,
                gauge(samples.points),
                capture.support_plane,
                colours=None if capture.colours is None else samples.spread(capture.colours),
                outline=capture.support_outline,
                expected_size=part.declared.expected_size_mm,
                riser_height=part.declared.riser_height_mm,
            )
            for question in found.uncertain:
                text, remedy = QUESTIONS[question]
                context.doubt(f"part-unsure-{question}", f"{capture.name}: {text}", remedy, capture.name)
            if found.grounded:
                context.warn(f"{capture.name}: the part stands on the table; its lowest edge was cut at the table.")
            confidence.append(found.confidence)
            risers.append(found.riser_height)
            keep = samples.kept_points(found.keep, len(capture.points))
            if self.keep_removed:
                riser = found.riser[: len(keep)]
                why = np.where(keep, Why.KEPT, np.where(riser, Why.RISER, Why.CLUTTER))
                write_removed(context.folder, self.stage, number, capture, why)
            if found.doubtful is not None:
                capture = replace(capture, doubtful=samples.kept_points(found.doubtful, len(capture.points)))
            captures.append(remembering(capture.select(keep), samples, ~found.keep))
        before, after = part.point_count, sum(len(capture.points) for capture in captures)
        context.measure("removed_percent", 100.0 * (before - after) / max(before, 1))
        context.measure("confidence_ratio", min(confidence))
        context.measure("riser_height_mm", max(risers))
        return part.with_captures(captures)
