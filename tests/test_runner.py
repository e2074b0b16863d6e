"""One recipe on one job: outcomes, reasons, and the account in the manifest."""

from __future__ import annotations

import errno
from pathlib import Path

import numpy as np
import pytest
import trimesh

from pipeline.errors import JobStopped, Outcome
from pipeline.formats import write_points
from pipeline.formats.evidence import read_evidence
from pipeline.job import load_job
from pipeline.manifest import MANIFEST_FILE, Manifest, differences, read_manifest
from pipeline.part import Declared, Mesh, Part
from pipeline.recipe import Recipe, load_recipe
from pipeline.runner import _judge_size, run_job
from pipeline.stages.alignment import Alignment
from pipeline.stages.export import Export
from pipeline.stages.hole_fill import HoleFill

SHORT = """\
recipe: 1
name: short
stages:
  - stage: outlier-removal
  - stage: meshing
  - stage: hole-fill
  - stage: watertight-check
  - stage: export
    format: stl
  - stage: export
    format: ply
  - stage: deviation-check
"""


def ball(count: int = 20_000, radius: float = 30.0, seed: int = 1) -> np.ndarray:
    """Points all over a ball, with noise."""
    rng = np.random.default_rng(seed)
    direction = rng.normal(size=(count, 3))
    return direction / np.linalg.norm(direction, axis=1, keepdims=True) * rng.normal(radius, 0.03, (count, 1))


def make_job(folder: Path, points: np.ndarray | None = None, ticket: str = "part: float ball\n") -> Path:
    folder.mkdir(parents=True)
    write_points(folder / "all.ply", ball() if points is None else points)
    (folder / "ticket.yaml").write_text(ticket, encoding="utf-8")
    return folder


def recipe(folder: Path, text: str = SHORT) -> Recipe:
    file = folder / "recipe.yaml"
    file.write_text(text, encoding="utf-8")
    return load_recipe(file)


def worked(job: Path, chain: Recipe, out: Path) -> Manifest:
    out.mkdir()
    manifest = run_job(load_job(job), chain, out, lambda step, place, of: None)
    manifest.write(out)
    return read_manifest(out)


def test_a_ball_goes_through_to_an_accepted_deliverable(tmp_path: Path) -> None:
    manifest = worked(make_job(tmp_path / "ball"), recipe(tmp_path), tmp_path / "out")
    assert manifest.outcome is Outcome.ACCEPTED, manifest.reasons
    assert {record.format for record in manifest.deliverables} == {"stl", "ply"}
    assert differences(tmp_path / "out", manifest) == []
    file = tmp_path / "out" / manifest.deliverables[0].file
    delivered = trimesh.load(file)  # an independent reader
    assert delivered.is_watertight
    # Volume of a sphere: 4/3 pi r^3.
    assert delivered.volume == pytest.approx(4 / 3 * np.pi * 30**3, rel=2e-3)
    assert manifest.captures[0].part_from_capture[0] == (1, 0, 0, 0)
    for stage in manifest.stages:
        assert stage.seconds >= 0
        assert stage.peak_mib > 0
        assert stage.measures["points_after_count"].value > 0
    assert manifest.stages[-1].measures["area_after_mm2"].value == pytest.approx(4 * np.pi * 900, rel=5e-3)
    assert manifest.recipe.stages[1]["stage"] == "meshing"
    assert {"nightmill", "numpy", "python"} <= set(manifest.software)


@pytest.mark.parametrize("ticket", ["part: ball\n", "aligned: true\n"])
def test_where_captures_belong_is_not_said_when_they_did_not_fit(tmp_path: Path, ticket: str) -> None:
    job, chain = make_job(tmp_path / "ball", ticket=ticket), recipe(tmp_path)
    write_points(job / "again.ply", ball(seed=2) + [20, 0, 0])
    chain = chain.model_copy(update={"stages": (Alignment(), *chain.stages)})
    manifest = worked(job, chain, tmp_path / "out")
    assert manifest.outcome is Outcome.RESCAN, manifest.reasons
    assert [record.part_from_capture for record in manifest.captures] == [None, None]


def test_the_same_job_gives_the_same_bytes(tmp_path: Path) -> None:
    job, chain = make_job(tmp_path / "ball"), recipe(tmp_path)
    first, second = (worked(job, chain, tmp_path / name) for name in ("a", "b"))
    assert [d.sha256 for d in first.deliverables] == [d.sha256 for d in second.deliverables]
    assert first.recipe == second.recipe


@pytest.mark.parametrize(("otherwise", "delivered"), [("review", 2), ("rescan", 0)])
def test_a_broken_limit_becomes_the_outcome_it_names(tmp_path: Path, otherwise: str, delivered: int) -> None:
    limit = f"limits:\n  - {{measure: meshing.area_after_mm2, max: 100, otherwise: {otherwise}}}\n"
    manifest = worked(make_job(tmp_path / "ball"), recipe(tmp_path, SHORT + limit), tmp_path / "out")
    assert manifest.outcome == otherwise
    assert manifest.reasons[0].code == "limit:meshing.area_after_mm2"
    text, remedy = manifest.reasons[0].text, manifest.reasons[0].remedy
    assert text.startswith("Area of the surface after the stage (meshing): 11")
    assert text.endswith(" mm², where at most 100 mm² is allowed.")
    assert "the limit on meshing.area_after_mm2 is set in the recipe" in remedy
    assert len(manifest.deliverables) == delivered
    assert len(list((tmp_path / "out").glob("*.stl"))) == (1 if delivered else 0)
    if not delivered:  # what the report shows instead
        evidence = read_evidence(tmp_path / "out")
        assert evidence is not None
        assert evidence.captures == tuple(record.file for record in manifest.captures)


def test_a_broken_limit_on_a_fit_names_the_fit(tmp_path: Path) -> None:
    fits = "  - stage: measurement\n    fits: [{shape: sphere, seed_mm: [30, 0, 0], name: ball A}]\n"
    limit = "limits:\n  - {measure: measurement.fit_1_radius_mm, max: 20}\n"
    manifest = worked(make_job(tmp_path / "ball"), recipe(tmp_path, SHORT + fits + limit), tmp_path / "out")
    assert manifest.reasons[0].text.startswith("Fit 1 (ball A, the sphere at (30, 0, 0) mm), radius (not of a plane) ")


def test_places_are_told_in_the_frame_of_the_delivered_file(tmp_path: Path) -> None:
    import trimesh

    points = ball() + [200.0, -40.0, 300.0]
    job = make_job(tmp_path / "ball", points[points[:, 0] < 222])
    chain = SHORT.replace("  - stage: watertight-check", "  - stage: datum\n  - stage: watertight-check")
    manifest = worked(job, recipe(tmp_path, chain), tmp_path / "out")
    (told,) = (text for stage in manifest.stages for text in stage.warnings if "left open" in text)
    place = [float(number) for number in told.split("at (")[1].split(")")[0].split(", ")]
    stl = next(record.file for record in manifest.deliverables if record.format == "stl")
    delivered = trimesh.load(tmp_path / "out" / stl)
    rim = trimesh.grouping.group_rows(delivered.edges_sorted, require_count=1)
    np.testing.assert_allclose(place, delivered.vertices[delivered.edges_sorted[rim]].mean(axis=(0, 1)), atol=0.3)


def test_a_limit_that_could_not_be_measured_is_not_kept(tmp_path: Path) -> None:
    limit = "limits:\n  - {measure: meshing.volume_before_mm3, min: 1}\n"
    manifest = worked(make_job(tmp_path / "ball"), recipe(tmp_path, SHORT + limit), tmp_path / "out")
    assert manifest.outcome is Outcome.REVIEW
    assert "could not be measured" in manifest.reasons[0].text


def test_every_unreadable_capture_is_named(tmp_path: Path) -> None:
    job = make_job(tmp_path / "ball")
    for name in ("b.ply", "c.stl"):
        (job / name).write_bytes(b"not what it says")
    manifest = worked(job, recipe(tmp_path), tmp_path / "out")
    assert manifest.outcome is Outcome.FAILED
    assert {reason.capture for reason in manifest.reasons} == {"b.ply", "c.stl"}
    assert all(reason.code == "capture-unreadable" and reason.remedy for reason in manifest.reasons)


@pytest.mark.parametrize(
    ("scale", "ticket", "question"),
    [
        (0.001, "part: ball\n", "unit-question"),  # metres read as millimetres
        (1.0, "unit: m\n", "unit-question"),
        (1.0, "expected_size_mm: 1524\n", "unit-question"),  # 60 mm x 25.4
        (1.0, "expected_size_mm: 95\n", "size-question"),
        (1.0, "expected_size_mm: 0.02\n", "size-question"),  # no unit makes it so small
        (1 / 25.4, "expected_size_mm: 60\n", "unit-question"),
    ],
)
def test_a_size_that_cannot_be_right_is_a_question_not_a_part(
    tmp_path: Path, scale: float, ticket: str, question: str
) -> None:
    manifest = worked(make_job(tmp_path / "ball", ball() * scale, ticket), recipe(tmp_path), tmp_path / "out")
    assert manifest.outcome is Outcome.FAILED
    assert manifest.reasons[0].code == question
    assert manifest.deliverables == ()


def test_one_capture_in_another_unit_is_to_be_exported_again(tmp_path: Path) -> None:
    """The ticket's unit is that of all captures: mending it would break those that are right."""
    job = make_job(tmp_path / "ball", ticket="expected_size_mm: 60\n")
    write_points(job / "inches.ply", ball(seed=2) / 25.4)
    (reason,) = worked(job, recipe(tmp_path), tmp_path / "out").reasons
    assert (reason.code, reason.capture) == ("unit-question", "inches.ply")
    assert "inches" in reason.text
    assert "Export this one again" in reason.remedy
    assert "ticket" not in reason.remedy


@pytest.mark.parametrize("guessed", [True, False])
def test_what_nobody_scanned_may_bulge_past_the_size_of_the_ticket(guessed: bool) -> None:
    """The filled underside of a part seen from one side is a guess; what was measured has the size it should have."""
    cube = trimesh.creation.box((40, 30, 30)).subdivide_to_size(5)
    bulge = trimesh.creation.cone(15, 25).apply_translation([0, 0, 15])
    vertices = np.vstack([cube.vertices, bulge.vertices])
    faces = np.vstack([cube.faces, len(cube.vertices) + bulge.faces]).astype(np.int32)
    filled = np.arange(len(faces)) >= (len(cube.faces) if guessed else len(faces))
    part = Part("part", (), Mesh(vertices, faces, filled), declared=Declared(expected_size_mm=(40, 30, 30)))
    if guessed:
        _judge_size(part, "mm")
        return
    with pytest.raises(JobStopped) as stopped:
        _judge_size(part, "mm")
    assert stopped.value.code == "size-question"


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1), ("cm", 10), ("m", 1000), ("in", 25.4)])
def test_the_unit_of_the_ticket_counts(tmp_path: Path, unit: str, mm: float) -> None:
    job = make_job(tmp_path / "ball", ball() / mm, f"unit: {unit}\nexpected_size_mm: 60\n")
    manifest = worked(job, recipe(tmp_path), tmp_path / "out")
    assert manifest.outcome is Outcome.ACCEPTED, manifest.reasons
    assert manifest.captures[0].unit == unit
    assert manifest.stages[-1].measures["extent_x_after_mm"].value == pytest.approx(60, abs=0.5)


def test_the_recipe_gives_the_unit_where_the_ticket_does_not(tmp_path: Path) -> None:
    chain = recipe(tmp_path, SHORT.replace("name: short\n", "name: short\nunit: cm\n"))
    manifest = worked(make_job(tmp_path / "ball", ball() / 10), chain, tmp_path / "out")
    assert manifest.captures[0].unit == "cm"


def test_a_defect_of_a_stage_is_a_failed_job_that_names_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(HoleFill, "run", broken)
    manifest = worked(make_job(tmp_path / "ball"), recipe(tmp_path), tmp_path / "out")
    assert (manifest.outcome, manifest.reasons[0].code) == (Outcome.FAILED, "defect")
    assert "hole-fill: ZeroDivisionError" in manifest.reasons[0].text
    assert [stage.stage for stage in manifest.stages] == ["outlier-removal", "meshing", "hole-fill"]


def test_too_little_memory_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def hungry(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(Export, "run", hungry)
    manifest = worked(make_job(tmp_path / "ball"), recipe(tmp_path), tmp_path / "out")
    assert (manifest.outcome, manifest.reasons[0].code) == (Outcome.FAILED, "memory")
    assert not list((tmp_path / "out").glob("*.stl"))


def test_captures_of_no_common_frame_are_not_fused(tmp_path: Path) -> None:
    job = make_job(tmp_path / "ball")
    write_points(job / "other.ply", ball(seed=2))
    manifest = worked(job, recipe(tmp_path), tmp_path / "out")
    assert manifest.outcome is not Outcome.ACCEPTED
    assert manifest.reasons[0].code == "not-aligned"
    (job / "ticket.yaml").write_text("aligned: true\n", encoding="utf-8")
    assert worked(job, recipe(tmp_path), tmp_path / "again").outcome is Outcome.ACCEPTED


def test_the_manifest_is_written_whole_and_read_back(tmp_path: Path) -> None:
    manifest = worked(make_job(tmp_path / "ball"), recipe(tmp_path), tmp_path / "out")
    assert read_manifest(tmp_path / "out") == manifest
    assert [file.name for file in (tmp_path / "out").iterdir() if file.name.startswith(".")] == []
    assert (tmp_path / "out" / MANIFEST_FILE).read_text(encoding="utf-8").endswith("}\n")


def test_captures_that_were_perhaps_meant_otherwise_are_looked_at(tmp_path: Path) -> None:
    job = make_job(tmp_path / "ball", ticket="aligned: true\n")
    (job / "all.ply").rename(job / "side-1.ply")
    write_points(job / "side-2.ply", ball(seed=2))
    assert worked(job, recipe(tmp_path), tmp_path / "good").outcome is Outcome.ACCEPTED
    (job / "side-3.e57").write_bytes(b"x")
    (job / "side-4.ply").write_bytes((job / "side-2.ply").read_bytes())
    manifest = worked(job, recipe(tmp_path), tmp_path / "out")
    assert manifest.outcome is Outcome.REVIEW
    texts = {reason.code: reason.text for reason in manifest.reasons}
    assert "side-3.e57" in texts["capture-left-out"]
    assert texts["same-capture"].startswith("side-2.ply, side-4.ply are")


def test_captures_finer_than_a_scanner_are_looked_at_unless_the_size_is_told(tmp_path: Path) -> None:
    job = make_job(tmp_path / "ball", ticket="aligned: true\n")
    for capture in job.glob("*.ply"):
        capture.unlink()
    write_points(job / "side-1.ply", ball(radius=90) / 25.4)
    manifest = worked(job, recipe(tmp_path), tmp_path / "unsure")
    assert [reason.code for reason in manifest.reasons] == ["unit-unsure"]
    assert manifest.outcome is Outcome.REVIEW
    size = float(np.ptp(ball(radius=90) / 25.4, axis=0).max())
    (job / "ticket.yaml").write_text(f"aligned: true\nexpected_size_mm: {size:.3f}\n", encoding="utf-8")
    assert worked(job, recipe(tmp_path), tmp_path / "told").outcome is Outcome.ACCEPTED


def test_a_doubted_unit_is_asked_before_a_new_scan_is(tmp_path: Path) -> None:
    limit = "limits:\n  - {measure: meshing.area_after_mm2, max: 100, otherwise: rescan}\n"
    job = make_job(tmp_path / "ball", ball(radius=90) / 25.4)
    manifest = worked(job, recipe(tmp_path, SHORT + limit), tmp_path / "unsure")
    assert manifest.outcome is Outcome.FAILED
    assert [reason.code for reason in manifest.reasons] == ["unit-question", "limit:meshing.area_after_mm2"]
    assert "the right unit" in manifest.reasons[0].remedy
    assert not manifest.deliverables
    (job / "ticket.yaml").write_text("unit: in\n", encoding="utf-8")
    assert worked(job, recipe(tmp_path, SHORT + limit), tmp_path / "told").outcome is Outcome.RESCAN


def test_a_full_disk_is_no_defect(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Export, "run", full)
    manifest = worked(make_job(tmp_path / "ball"), recipe(tmp_path), tmp_path / "out")
    assert (manifest.outcome, manifest.reasons[0].code) == (Outcome.FAILED, "disk-full")
    assert "in export" in manifest.reasons[0].text
