"""``capture-check``: is a capture good enough to go on with, and what to do at the bench if it is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.errors import Outcome
from pipeline.geometry.alignment.explain import odd_size
from pipeline.geometry.capture_quality import Quality, quality
from pipeline.geometry.constraint import FREE_RATIO
from pipeline.geometry.facing import direction_shares
from pipeline.part import Capture, FloatArray, Form, Part
from pipeline.stage import Measure, Stage, StageContext

FEWEST_POINTS = 100
NOISES = 4.0
"""Standard deviations of the noise that a tolerance has to hold: one point in 16,000 exceeds them by chance."""
UNLIKE = 4.0
"""One capture this many times thinner, or half as many times noisier, than the rest of the job is named."""
MARKERS = 3


class CaptureCheck(Stage):
    """Judges density, evenness, noise, coverage and grip of the captures, and alters nothing."""

    takes: ClassVar[Form] = "captures"
    gives: ClassVar[Form] = "captures"
    alters: ClassVar[bool] = False
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "density_per_mm2": Measure("per_mm2", "measured points on a square millimetre, of the thinnest capture"),
            "evenness_ratio": Measure(
                "ratio", "least evenness: 1 for points at random, 2.15 on a hexagonal grid, less where they crowd"
            ),
            "noise_mm": Measure("mm", "standard deviation of the points about the surface, of the noisiest capture"),
            "extent_mm": Measure("mm", "diagonal of the largest capture, stray points left out"),
            "coverage_percent": Measure(
                "percent", "measured share of the surface that faces the least covered of six directions; of the part"
            ),
            "unscanned_directions_count": Measure("count", "of six directions, those that nobody scanned; of the part"),
            "hold_ratio": Measure(
                "ratio", "least eigenvalue of a capture's point-to-plane matrix over its largest; of the part"
            ),
            "frames_count": Measure("count", "frames of all captures together, where the ticket says them"),
        }
    )

    stage: Literal["capture-check"] = "capture-check"
    shows: Literal["scene", "part"] = "scene"
    """What the captures show where this stage stands: the `scene` as it was scanned, or, after clutter-removal, the
    `part` alone. Coverage and grip are judged of the part only: those of a table say nothing."""
    least_density_per_mm2: float = Field(0.25, gt=0)
    """Fewer points on a square millimetre are called thin: a quarter is one every two millimetres. Of a
    scene the densest tenth is judged, as tables are thinner than the part."""
    least_evenness_ratio: float = Field(0.8, gt=0)
    """Below this the points crowd: two halves of the surface that differ fifty to one in density give 0.8."""
    least_coverage_percent: float = Field(50.0, ge=0, le=100)
    """A direction with less than this of its surface measured counts as not scanned."""
    least_frames_count: int = Field(500, ge=0)
    """Fewer frames in one capture are called few (common practice, no source)."""
    least_total_frames_count: int = Field(2000, ge=0)
    """Fewer frames in all are called few (common practice, no source)."""
    most_total_frames_count: int = Field(3500, ge=1)
    """More frames in all are called many: they cost time and drift (common practice, no source)."""
    least_frames_per_s: float = Field(10.0, gt=0)
    """Slower recording loses track of the part (common practice, no source)."""
    most_frames_per_s: float = Field(35.0, gt=0)
    """Faster recording leaves each frame short of light (common practice, no source)."""

    def run(self, part: Part, context: StageContext) -> Part:
        self._judge_frames(part.captures, context)
        large = [capture for capture in part.captures if len(capture.points) >= FEWEST_POINTS]
        for capture in part.captures:
            if len(capture.points) < FEWEST_POINTS:
                context.warn(f"{capture.name} has only {len(capture.points)} points: scan this side again.")
        if not large:
            if all(capture.faces is None for capture in part.captures):  # a mesh may be as coarse as that
                text = f"No capture of {part.name} has the {FEWEST_POINTS} points that a surface needs."
                context.stop(Outcome.RESCAN, "no-points", text, "Scan the part again, or export the captures again.")
            return part
        found = [quality(capture) for capture in large]
        self._judge_density(large, found, context)
        self._judge_noise(part, large, found, context)
        _judge_sizes(large, found, context)
        if self.shows == "part":
            self._judge_hold(part, large, found, context)
            self._judge_coverage(part, large, found, context)
        return part

    def _judge_frames(self, captures: Sequence[Capture], context: StageContext) -> None:
        for capture in captures:
            if capture.frames is not None and capture.frames < self.least_frames_count:
                context.warn(
                    f"{capture.name} has {capture.frames} frames; {self.least_frames_count} a side are usual: record "
                    "this side longer, slowly and all round."
                )
            rate = capture.frames_per_second
            if rate is not None and rate < self.least_frames_per_s:
                context.warn(
                    f"{capture.name} was recorded at {rate:g} frames a second: move more slowly, or raise the frame "
                    "rate, so that the scanner keeps track."
                )
            if rate is not None and rate > self.most_frames_per_s:
                context.warn(
                    f"{capture.name} was recorded at {rate:g} frames a second, which leaves little light to a frame: "
                    "lower the frame rate on dark or shiny parts."
                )
        frames = [capture.frames for capture in captures if capture.frames is not None]
        if len(frames) < len(captures):
            return
        context.measure("frames_count", sum(frames))
        usual = f"{self.least_total_frames_count} to {self.most_total_frames_count} are usual"
        if sum(frames) < self.least_total_frames_count:
            context.warn(f"All captures together have {sum(frames)} frames; {usual}: scan one more side.")
        if sum(frames) > self.most_total_frames_count:
            context.warn(f"All captures together have {sum(frames)} frames; {usual}: shorter sweeps drift less.")

    def _judge_density(self, captures: Sequence[Capture], found: Sequence[Quality], context: StageContext) -> None:
        densities = [one.density_per_mm2 for one in found]
        context.measure("density_per_mm2", min(densities))
        # A table is thinner than the part that everybody scans: of a scene the densest tenth is judged.
        judged = densities if self.shows == "part" else [one.densest_per_mm2 for one in found]
        for capture, density in zip(captures, judged, strict=True):
            if density < self.least_density_per_mm2:
                context.warn(
                    f"{capture.name} is thin: {density:.2g} points on a square millimetre, one every "
                    f"{density**-0.5:.1f} mm. Scan closer and slower, or export at a finer resolution."
                )
            elif UNLIKE * density < max(judged):
                context.warn(
                    f"{capture.name} is {max(judged) / density:.0f} times thinner than the densest capture of the "
                    "job: scan this side again at the same distance and pace."
                )
        evenness = [(one.evenness_ratio, capture.name) for one, capture in zip(found, captures, strict=True)]
        known = [(ratio, name) for ratio, name in evenness if ratio is not None]
        if known:
            context.measure("evenness_ratio", min(known)[0])
        for ratio, name in known:
            if ratio < self.least_evenness_ratio:
                context.warn(
                    f"The points of {name} crowd in places and are thin in others (evenness {ratio:.2f}, 1 is random): "
                    "sweep the thin places again."
                )

    def _judge_noise(
        self, part: Part, captures: Sequence[Capture], found: Sequence[Quality], context: StageContext
    ) -> None:
        noises = [one.noise_mm for one in found]
        context.measure("noise_mm", max(noises))
        tolerance = part.declared.tolerance_mm
        quietest = min(noises)
        for capture, noise in zip(captures, noises, strict=True):
            if tolerance is not None and NOISES * noise > tolerance:
                context.warn(
                    f"The points of {capture.name} scatter by {noise:.3f} mm: too rough to hold the {tolerance:g} mm "
                    "that the ticket asks for. Matt the surface, let the scanner warm up, scan closer."
                )
            elif len(noises) > 1 and noise > UNLIKE / 2 * max(quietest, 1e-3):
                context.warn(
                    f"The points of {capture.name} scatter by {noise:.3f} mm, those of the quietest capture by "
                    f"{quietest:.3f} mm: look whether the part shook, shone or warmed up, or something else was "
                    "left in, and scan this side again."
                )

    def _judge_hold(
        self, part: Part, captures: Sequence[Capture], found: Sequence[Quality], context: StageContext
    ) -> None:
        ratios = [float(one.hold.ratios()[0]) for one in found]
        context.measure("hold_ratio", min(ratios))
        if part.aligned or len(part.captures) == 1:
            return
        for capture, one, ratio in zip(captures, found, ratios, strict=True):
            motions = one.hold.motions()
            if ratio < FREE_RATIO and motions and len(capture.markers) < MARKERS:
                context.warn(
                    f"What {capture.name} shows of the part {motions[0].words} and still lie on itself, so its shape "
                    "may not tell how the sides join. Stick at least four markers on it, unevenly spaced, and scan "
                    "again."
                )

    def _judge_coverage(
        self, part: Part, captures: Sequence[Capture], found: Sequence[Quality], context: StageContext
    ) -> None:
        """Of all captures together where they share a frame; else of each, of which the best counts."""
        together = part.aligned or len(part.captures) == 1
        groups = [list(range(len(found)))] if together else [[k] for k in range(len(found))]
        shares: list[dict[str, float]] = []
        for group in groups:
            unsure = [captures[k].name for k in group if not found[k].facing.sure]
            if unsure:
                context.warn(
                    f"{unsure[0]} has no usable normals and its shape does not tell inside from outside: what nobody "
                    "scanned cannot be told. Export the captures with normals."
                )
                return
            shares.append(direction_shares([found[k].facing for k in group], _up(captures[group[0]])))
        missing = [
            [name for name, percent in share.items() if percent < self.least_coverage_percent] for share in shares
        ]
        context.measure("coverage_percent", max(min(share.values()) for share in shares))
        context.measure("unscanned_directions_count", min(map(len, missing)))
        if together and missing[0]:
            where = ", ".join(f"{name} ({shares[0][name]:.0f} % measured)" for name in missing[0])
            how = f"as the part lies in {captures[0].name}" if captures[0].support_plane is not None else "in its frame"
            context.warn(f"Nobody scanned the {where}, {how}: turn the part over and scan there.")


def _judge_sizes(captures: Sequence[Capture], found: Sequence[Quality], context: StageContext) -> None:
    extents = [one.extent_mm for one in found]
    context.measure("extent_mm", max(extents))
    odd = odd_size(extents) if min(extents) > 0.0 else None
    if odd is not None:
        index, times, unit = odd
        context.warn(
            f"{captures[index].name} is {times} the size of the other captures{unit}: export all captures of a part in "
            "the same unit."
        )


def _up(capture: Capture) -> FloatArray | None:
    """Up in the part's frame, where the capture knows the table it stood on."""
    if capture.support_plane is None:
        return None
    return np.asarray(capture.part_from_capture[:3, :3] @ capture.support_plane[:3], np.float64)
