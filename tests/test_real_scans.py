"""Scans and meshes of others, loaded from the packages that ship them, through a shipped recipe to a manifest.

There is no table in any of them and nothing but the part, so the part must come through whole. Units are not known:
the tickets say what makes each a believable size.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from meshes import cgal_meshes, sample_meshes

from pipeline.errors import Outcome
from pipeline.job import load_job
from pipeline.manifest import Manifest, differences
from pipeline.recipe import find_recipe, load_recipe
from pipeline.runner import run_job

Fetch = Callable[[str], Path]


def worked(file: Path, unit: str, folder: Path) -> Manifest:
    job, out = folder / file.stem, folder / "out"
    job.mkdir()
    out.mkdir()
    shutil.copy(file, job)
    (job / "ticket.yaml").write_text(f"unit: {unit}\n", encoding="utf-8")
    manifest = run_job(load_job(job), load_recipe(find_recipe("inspection")), out, lambda *_: None)
    assert not differences(out, manifest)
    return manifest


def value(manifest: Manifest, measure: str) -> float:
    stage, name = measure.split(".")
    return next(one.measures[name].value for one in manifest.stages if one.stage == stage)


def came_through_whole(manifest: Manifest, most_outliers_percent: float) -> bool:
    return (
        value(manifest, "plane-strip.planes_count") == 0
        and value(manifest, "clutter-removal.removed_percent") < 0.1
        and value(manifest, "outlier-removal.removed_percent") < most_outliers_percent
        and len(manifest.deliverables) > 0
    )


# Debian libcgal-demo, point sets: without normals, with holes, 0.1 to 100 thousand points.
@pytest.mark.parametrize(
    ("name", "unit", "outcomes"),
    [
        ("kitten.xyz", "cm", {Outcome.ACCEPTED}),
        ("hippo1.ply", "cm", {Outcome.ACCEPTED, Outcome.REVIEW}),
        ("ball.ply", "mm", {Outcome.ACCEPTED, Outcome.REVIEW}),
        ("building.ply", "mm", {Outcome.REVIEW}),  # 7 % of the points are far rougher than the rest
        ("oni.ply", "cm", {Outcome.REVIEW}),  # 1,435 points: coarser than an inspection allows
    ],
)
def test_point_sets(debian_package: Fetch, tmp_path: Path, name: str, unit: str, outcomes: set[Outcome]) -> None:
    points = cgal_meshes(debian_package("libcgal-demo")).parent / "points_3"
    manifest = worked(points / name, unit, tmp_path)
    assert manifest.outcome in outcomes, manifest.reasons
    assert came_through_whole(manifest, most_outliers_percent=2)


def test_a_range_map(tmp_path: Path) -> None:
    """A range map of 85,849 points and 166 thousand faces, shipped by pymeshlab."""
    manifest = worked(sample_meshes() / "rangemaps" / "face000.ply", "mm", tmp_path)
    assert manifest.outcome is Outcome.ACCEPTED, manifest.reasons
    assert came_through_whole(manifest, most_outliers_percent=1)
    assert value(manifest, "deviation-check.p99_mm") < 0.02


@pytest.mark.parametrize(("name", "unit"), [("bunny.obj", "cm"), ("bunny10k_textured.obj", "mm"), ("cow.obj", "cm")])
def test_meshes(tmp_path: Path, name: str, unit: str) -> None:
    """Meshes that pymeshlab ships, as captures: nothing is taken from them."""
    manifest = worked(sample_meshes() / name, unit, tmp_path)
    assert manifest.outcome is Outcome.ACCEPTED, manifest.reasons
    assert came_through_whole(manifest, most_outliers_percent=0.1)
    assert value(manifest, "deviation-check.p99_mm") < 0.02


def test_a_unit_nobody_gave_is_asked_for(tmp_path: Path) -> None:
    """Read in millimetres the figure is smaller than a pinhead."""
    shutil.copy(sample_meshes() / "bunny.obj", tmp_path)
    manifest = run_job(load_job(tmp_path / "bunny.obj"), load_recipe(find_recipe("archive")), tmp_path, lambda *_: None)
    assert manifest.outcome is Outcome.FAILED
    assert [reason.code for reason in manifest.reasons] == ["unit-question"]
