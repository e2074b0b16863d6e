"""`deviation-check`: what was put into the points comes out as a measure."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from meshes import icosphere

from pipeline.formats import write_mesh
from pipeline.geometry.deviation import sample_surface
from pipeline.part import Capture, Declared, Mesh, Part, Unit
from pipeline.places import in_words
from pipeline.stage import StageContext
from pipeline.stages.deviation_check import DeviationCheck

VERTICES, FACES = icosphere(4, radius=30)


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The stage leaves its evidence in the folder it works in."""
    monkeypatch.chdir(tmp_path)


def part_with(noise: float, bias: float = 0.0, strays: int = 0) -> Part:
    """A ball scanned from two sides; the second capture lies off by ``bias`` and sits in a frame of its own."""
    rng = np.random.default_rng(2)
    points, _ = sample_surface(VERTICES, FACES, 40_000)
    outward = points / np.linalg.norm(points, axis=1, keepdims=True)
    points = points + outward * rng.normal(0, noise, (len(points), 1))
    upper, lower = points[points[:, 2] > 0], points[points[:, 2] <= 0] + bias * outward[points[:, 2] <= 0]
    lower = np.vstack([lower, np.tile([0, 0, -60.0], (strays, 1))])
    pose = np.eye(4)
    pose[:3, 3] = [5, 6, 7]
    captures = Capture("top.ply", upper), Capture("bottom.ply", lower - [5, 6, 7], part_from_capture=pose)
    return Part("ball", captures, Mesh(VERTICES, FACES))


def measured(part: Part, folder: Path = Path(), **parameters: object) -> StageContext:
    stage = DeviationCheck(**parameters)
    context = StageContext(np.random.default_rng(0), folder, stage.all_measures())
    assert stage.run(part, context) is part
    return context


def test_noise_bias_and_tolerance_come_back() -> None:
    found = measured(part_with(0.05, bias=0.1), tolerance_mm=0.2).measures
    assert found["points_count"] == 40_000
    assert found["mean_mm"] == pytest.approx(0.05, abs=0.002)
    assert found["between_captures_mm"] == pytest.approx(0.1, abs=0.003)
    assert found["rms_mm"] == pytest.approx(np.sqrt(0.05**2 + 0.1**2 / 2), rel=0.02)
    assert found["beyond_tolerance_percent"] == pytest.approx(100 * 0.02275 / 2, rel=0.15)  # one side of 2 sigma


def test_the_tolerance_is_the_same_in_whatever_order_the_captures_come() -> None:
    quiet, loud = part_with(0.02).captures[0], part_with(0.08).captures[1]
    tolerances = [
        measured(Part("ball", captures, Mesh(VERTICES, FACES))).measures["tolerance_mm"]
        for captures in ((quiet, loud), (loud, quiet))
    ]
    assert tolerances[0] == tolerances[1] == pytest.approx(4 * 0.05, rel=0.05)


def test_each_capture_is_told_by_itself() -> None:
    context = measured(part_with(0.05, bias=0.1), tolerance_mm=0.2)
    top, bottom = context.of_captures["top.ply",], context.of_captures["bottom.ply",]
    assert top["mean_mm"] == pytest.approx(0, abs=0.002)
    assert bottom["mean_mm"] == pytest.approx(0.1, abs=0.003)
    assert top["points_count"] + bottom["points_count"] == context.measures["points_count"]
    assert top["beyond_tolerance_percent"] < 0.1
    assert bottom["beyond_tolerance_percent"] == pytest.approx(2.275, rel=0.15)  # one side of 2 sigma


def test_tolerance_is_the_tickets_or_else_the_noise() -> None:
    part = part_with(0.05)
    assert measured(replace(part, declared=Declared(tolerance_mm=0.3))).measures["tolerance_mm"] == 0.3
    found = measured(part).measures
    assert found["tolerance_mm"] == pytest.approx(4 * 0.05, rel=0.1)
    assert found["beyond_tolerance_percent"] < 0.1


def test_strays_are_named_by_place() -> None:
    context = measured(part_with(0.05, strays=3), tolerance_mm=0.2)
    assert context.measures["strays_count"] == 3
    assert context.measures["max_mm"] == pytest.approx(30, abs=0.1)
    assert any("(0.0, 0.0, -60.0)" in in_words(warning, np.eye(4)) for warning in context.warnings)


def test_unmeasured_and_unsupported_surface() -> None:
    part = part_with(0.02)
    bottom = VERTICES[FACES].mean(axis=1)[:, 2] < 0
    only_top = replace(part, captures=part.captures[:1])
    found = measured(only_top, tolerance_mm=0.2).measures
    assert found["unmeasured_percent"] == 0
    assert found["unsupported_percent"] == pytest.approx(50, abs=5)
    flagged = measured(replace(only_top, mesh=Mesh(VERTICES, FACES, bottom)), tolerance_mm=0.2).measures
    assert flagged["unmeasured_percent"] == pytest.approx(50, abs=1)
    assert flagged["unsupported_percent"] == 0


def test_surface_carried_on_between_sparse_points_is_told() -> None:
    part = part_with(0.02)
    dense = measured(part, tolerance_mm=0.2)
    assert dense.measures["sparse_percent"] < 0.1
    thin = [
        capture.select((capture.points[:, 0] < 10) | (np.arange(len(capture.points)) % 25 == 0))
        for capture in part.captures
    ]
    context = measured(part.with_captures(thin), tolerance_mm=0.2)
    assert 5 < context.measures["sparse_percent"] < 34  # a third of the ball, of which one point in 25 is left
    assert context.measures["unsupported_percent"] < 1
    assert any("sparse points" in warning for warning in context.warnings)
    assert not any("sparse points" in warning for warning in dense.warnings)


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_the_file_is_judged_and_not_the_mesh(tmp_path: Path, unit: Unit) -> None:
    part = part_with(0.05)
    turn = np.array([[0, -1, 0, 3], [1, 0, 0, 4], [0, 0, 1, 5], [0, 0, 0, 1]], float)
    wrong = VERTICES * (30.5 / 30)
    turned = Mesh(wrong @ turn[:3, :3].T + turn[:3, 3], FACES)
    written = write_mesh(turned, tmp_path / "ball.stl", format="stl", unit=unit, watertight=True)
    found = measured(replace(part, deliverables=(written,), deliverable_from_part=turn), tmp_path).measures
    assert found["mean_mm"] == pytest.approx(-0.5, abs=0.01)
