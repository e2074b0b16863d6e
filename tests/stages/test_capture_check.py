"""What the capture check says at the bench, of simulated captures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.part import Capture, Declared, Part
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.scanner import CLEAN, scan_sides
from pipeline.simulate.scene import Label, Scene
from pipeline.stage import StageContext
from pipeline.stages.capture_check import CaptureCheck


def sides(fitting: str, names: tuple[str, ...], **scanning: object) -> list[Capture]:
    """Captures of the part alone, in one frame."""
    scene = Scene(part=FITTINGS[fitting](None), riser="block")
    found = scan_sides(scene, names, scanner=CLEAN, aligned=True, points=40_000, seed=2, **scanning)  # type: ignore[arg-type]
    return [one.capture.select(one.labels == Label.PART) for one in found]


@pytest.fixture(scope="module")
def gudgeon() -> list[Capture]:
    return sides("gudgeon", ("top", "bottom"))


def checked(
    captures: Sequence[Capture], *, shows: str = "part", aligned: bool = True, tolerance: float | None = None
) -> StageContext:
    stage = CaptureCheck.model_validate({"shows": shows})
    part = Part("gudgeon", tuple(captures), declared=Declared(aligned=aligned, tolerance_mm=tolerance))
    context = StageContext(np.random.default_rng(0), Path(), stage.all_measures())
    assert stage.apply(part, context) is part
    assert not context.reasons
    return context


def said(context: StageContext, word: str) -> bool:
    return any(word in text for text in context.warnings)


def test_two_good_sides_have_nothing_against_them(gudgeon: list[Capture]) -> None:
    context = checked(gudgeon)
    assert context.warnings == []
    assert set(context.measures) == set(CaptureCheck.measures) - {"frames_count"}
    assert context.measures["unscanned_directions_count"] == 0
    assert context.measures["hold_ratio"] > 0.1


def test_the_side_that_nobody_scanned_is_named(gudgeon: list[Capture]) -> None:
    context = checked(gudgeon[:1])
    assert context.measures["unscanned_directions_count"] == 1
    assert context.measures["coverage_percent"] < 10
    assert said(context, "underside")
    up = replace(gudgeon[0], support_plane=np.array([0.0, 0.0, -1.0, 0.0]))
    assert said(checked([up]), "top")


def test_captures_that_share_no_frame_are_judged_one_by_one(gudgeon: list[Capture]) -> None:
    context = checked(gudgeon, aligned=False)
    assert context.measures["unscanned_directions_count"] >= 1
    assert not said(context, "Nobody scanned"), "each lies in a frame of its own"


def test_of_a_scene_neither_coverage_nor_grip_is_judged(gudgeon: list[Capture]) -> None:
    context = checked(gudgeon[:1], shows="scene")
    assert context.warnings == []
    assert not {"coverage_percent", "unscanned_directions_count", "hold_ratio"} & set(context.measures)


def test_a_turned_part_slips_unless_markers_hold_it() -> None:
    captures = sides("bollard", ("top",)) * 2
    context = checked(captures, aligned=False)
    assert context.measures["hold_ratio"] < 0.02
    assert said(context, "can turn about the part's long axis")
    marked = [replace(capture, markers=np.eye(4, 3)) for capture in captures]
    assert not said(checked(marked, aligned=False), "can turn")


@pytest.mark.parametrize("noise", [0.03, 0.12])
def test_noise_is_that_of_the_instrument(noise: float) -> None:
    # Along the ray; across the surface it is less by the cosine of the slant, of which the mean is about 0.85.
    dense = sides("gudgeon", ("top",), noise_mm=noise)
    assert checked(dense).measures["noise_mm"] == pytest.approx(0.92 * noise, rel=0.15)


def test_noise_beyond_the_tolerance_is_said(gudgeon: list[Capture]) -> None:
    assert said(checked(gudgeon, tolerance=0.1), "0.1 mm that the ticket asks for")
    assert not checked(gudgeon, tolerance=0.5).warnings


def test_a_thin_side_and_a_rough_side_are_named(gudgeon: list[Capture]) -> None:
    thin = gudgeon[1].select(np.arange(len(gudgeon[1].points)) % 6 == 0)
    assert said(checked([gudgeon[0], thin]), "side-2.ply is thin")
    shaken = replace(gudgeon[1], points=gudgeon[1].points + np.random.default_rng(1).normal(0, 0.2, (1, 3)))
    rough = replace(shaken, points=shaken.points + np.random.default_rng(1).normal(0, 0.2, shaken.points.shape))
    assert said(checked([gudgeon[0], rough]), "shook")
    assert not said(checked([gudgeon[0], shaken]), "shook")


def test_crowded_points_are_named() -> None:
    outward = np.random.default_rng(1).normal(size=(400_000, 3))
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    even = Capture("a.ply", 20 * outward)
    assert not said(checked([even]), "crowd")
    thin = (outward[:, 2] < 0) & (np.arange(len(outward)) % 100 > 0)
    context = checked([even.select(~thin)])
    assert context.measures["coverage_percent"] > 80, "thin is not unscanned"
    assert said(context, "crowd")


def test_a_side_in_another_unit_is_named(gudgeon: list[Capture]) -> None:
    inch = replace(gudgeon[1], points=gudgeon[1].points / 25.4)
    assert said(checked([gudgeon[0], inch]), "an inch for a millimetre")


@pytest.mark.parametrize(
    ("frames", "rate", "word"),
    [
        ((900, 1200), 20.0, None),
        ((300, 1800), 20.0, "side-1.ply has 300 frames"),
        ((600, 600), 20.0, "together have 1200 frames"),
        ((2000, 2000), 20.0, "together have 4000 frames"),
        ((900, 1200), 8.0, "8 frames a second"),
        ((900, 1200), 60.0, "60 frames a second"),
    ],
)
def test_rules_of_thumb_for_frames(
    gudgeon: list[Capture], frames: tuple[int, int], rate: float, word: str | None
) -> None:
    told = [replace(one, frames=n, frames_per_second=rate) for one, n in zip(gudgeon, frames, strict=True)]
    context = checked(told)
    assert context.measures["frames_count"] == sum(frames)
    assert said(context, word) if word else not context.warnings
    half = checked([told[0], gudgeon[1]])
    assert "frames_count" not in half.measures, "the frames of one capture are not those of all"


def test_a_scrap_is_named_and_the_rest_judged(gudgeon: list[Capture]) -> None:
    scrap = gudgeon[1].select(np.arange(len(gudgeon[1].points)) < 20)
    context = checked([gudgeon[0], scrap])
    assert said(context, "only 20 points")
    assert context.measures["density_per_mm2"] > 0.3


@pytest.mark.parametrize("shape", ["coincident", "line", "plane", "noise"])
def test_whatever_the_points_are_it_says_something(shape: str) -> None:
    rng = np.random.default_rng(1)
    points = {
        "coincident": np.zeros((500, 3)),
        "line": np.outer(np.arange(500.0), [1, 2, 3]),
        "plane": rng.uniform(0, 9, (500, 3)) * [1, 1, 0],
        "noise": rng.normal(size=(500, 3)),
    }[shape]
    context = checked([Capture("a.ply", points), Capture("b.ply", points)], aligned=False)
    assert np.isfinite(list(context.measures.values())).all()
