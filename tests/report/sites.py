"""Small finished jobs and sites, made from the manifest's own models."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from pipeline.errors import Outcome
from pipeline.formats import write_mesh
from pipeline.formats.evidence import Evidence, write_evidence
from pipeline.geometry.deviation import sample_surface
from pipeline.geometry.evidence import cell_size, spread
from pipeline.manifest import (
    CaptureRecord,
    DeliverableRecord,
    Manifest,
    MeasureRecord,
    ReasonRecord,
    RecipeRecord,
    StageRecord,
)
from pipeline.part import Mesh
from pipeline.report.job import write_job_page
from pipeline.report.night import write_night

EVENING = datetime(2026, 11, 23, 20, 0, tzinfo=UTC)
NIGHT = "2026-11-24"
IDENTITY = tuple(tuple(float(i == j) for j in range(4)) for i in range(4))
TOLERANCE = 0.2
SIDES = {"side-1.ply": "top", "side-2.ply": "underside"}
NASTY = '<script>alert(1)</script> & "o\'ring" %23 #1 =cmd ö 蓮'


def knob(level: int = 5) -> Mesh:
    """A mooring knob: a ball with a waist, its foot never measured."""
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=level, radius=30.0)
    vertices = np.array(ball.vertices)
    vertices[:, :2] *= (0.7 + 0.3 * np.cos(vertices[:, 2] / 8.0))[:, None]
    faces = np.array(ball.faces, np.int32)
    return Mesh(vertices, faces, vertices[faces].mean(axis=1)[:, 2] < -27.0)


def add_evidence(folder: Path, mesh: Mesh, seed: int = 0) -> None:
    """Points of two sides on the measured surface: the upper half lies 0.15 mm outside, the lower half on it."""
    rng = np.random.default_rng(seed)
    places, face = sample_surface(mesh.vertices, mesh.faces, 30_000)
    places = places[~mesh.filled[face]]
    sides = [places[places[:, 2] > -8], places[places[:, 2] < 8]]
    deviations = [np.where(side[:, 2] > 0, 0.15, 0.0) + 0.01 * rng.standard_normal(len(side)) for side in sides]
    cell = cell_size(mesh, 0.6)
    place, deviation, mask = spread(mesh, sides, deviations, cell)
    write_evidence(folder, Evidence(place, deviation, mask, tuple(SIDES), cell))


def measures(**values: tuple[float, str]) -> dict[str, MeasureRecord]:
    return {name: MeasureRecord(value=value, unit=unit) for name, (value, unit) in values.items()}


def manifest(name: str, outcome: Outcome = Outcome.ACCEPTED, minutes: float = 0, **changes: object) -> Manifest:
    """A manifest with everything in it that a page shows, but no deliverable."""
    ended = EVENING + timedelta(minutes=minutes)
    told: dict[str, object] = {
        "job": name,
        "part": f"knob {name}",
        "client": "Upper Lock Boatyard",
        "operator": f"bench {len(name) % 3 + 1}",
        "outcome": outcome,
        "reasons": () if outcome is Outcome.ACCEPTED else (reason(outcome),),
        "recipe": RecipeRecord(
            name="replica",
            sha256="0" * 64,
            stages=({"stage": "meshing"},),
            limits=({"measure": "deviation-check.p99_mm", "max": TOLERANCE, "otherwise": "review"},),
        ),
        "ticket": {"tolerance_mm": TOLERANCE, "captures": {file: {"side": side} for file, side in SIDES.items()}},
        "software": {"nightmill": "0.1.0", "python": "3.11"},
        "captures": tuple(
            CaptureRecord(file=file, sha256="a" * 64, bytes=10_000, points=900, unit="mm", part_from_capture=IDENTITY)
            for file in SIDES
        ),
        "deliverable_from_part": IDENTITY,
        "stages": (
            StageRecord(
                stage="plane-strip", seconds=1.5, cpu_seconds=2.0, peak_mib=300.0, warnings=("The table was tilted.",),
                measures=measures(points_before_count=(2000, "count"), points_after_count=(1800, "count")),
            ),
            StageRecord(
                stage="deviation-check", seconds=2.5, cpu_seconds=3.0, peak_mib=310.0,
                measures=measures(
                    tolerance_mm=(TOLERANCE, "mm"), rms_mm=(0.05, "mm"), p95_mm=(0.11, "mm"), p99_mm=(0.15, "mm"),
                    beyond_tolerance_percent=(0.02, "percent"), unmeasured_percent=(1.5, "percent"),
                ),
            ),
        ),
        "started": ended - timedelta(minutes=7),
        "finished": ended,
        "host": "mill",
    }  # fmt: skip
    return Manifest.model_validate(told | changes)


def reason(outcome: Outcome, code: str = "sliding", capture: str | None = "side-2.ply") -> ReasonRecord:
    text = "underside can turn about its axis: nothing in what the sides have in common holds it."
    return ReasonRecord(code=code, text=text, remedy="Stick markers on it.", outcome=outcome, capture=capture)


def put(site: Path, told: Manifest, mesh: Mesh | None = None, evidence: bool = True, format: str = "ply") -> Path:
    """Write a finished job into a site; with a mesh it is delivered."""
    delivered = told.outcome in (Outcome.ACCEPTED, Outcome.REVIEW)
    (site / "reports").mkdir(parents=True, exist_ok=True)
    folder = site / ("delivered" if delivered else "attention") / told.job
    folder.mkdir(parents=True)
    if mesh is not None:
        file = folder / f"part.{format}"
        unit = "m" if format == "glb" else "mm"
        written = write_mesh(mesh, file, format=format, unit=unit, watertight=True)
        record = {name: getattr(written, name) for name in DeliverableRecord.model_fields}
        told = told.model_copy(update={"deliverables": (DeliverableRecord(**record),)})
        if evidence:
            add_evidence(folder, mesh)
    told.write(folder)
    return folder


def small_site(site: Path) -> Path:
    """One job of each outcome, names and texts of the worst kind among them."""
    mesh = knob()
    put(site, manifest("accepted-knob", minutes=1), mesh)
    put(site, manifest("review-knob", Outcome.REVIEW, minutes=2), mesh, evidence=False, format="stl")
    nasty = {"part": NASTY, "client": "=1+1", "operator": NASTY}
    put(site, manifest("rescan #1 %23 ö", Outcome.RESCAN, minutes=3, **nasty))
    put(site, manifest("failed-knob", Outcome.FAILED, minutes=4, stages=(), captures=()))
    return site


def write_pages(site: Path) -> None:
    """Every page of a site, times in UTC."""
    for file in sorted(site.glob("*/*/manifest.json")):
        write_job_page(file.parent, UTC)
    write_night(site, NIGHT, UTC)
