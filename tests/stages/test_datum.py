"""The datum: two operators get the same deliverable, and what comes after the stage copes with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.errors import ConfigurationError
from pipeline.formats import read_mesh
from pipeline.geometry.deviation import Surface, sample_surface
from pipeline.geometry.measure import caliper_extents, volume
from pipeline.part import Capture, Declared, Mesh, Part, transformed
from pipeline.recipe import load_recipe
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.scanner import Scanner, scan_sides
from pipeline.simulate.scene import Label, Scene
from pipeline.stage import Stage, StageContext
from pipeline.stages.datum import Datum
from pipeline.stages.decimation import Decimation
from pipeline.stages.deviation_check import DeviationCheck
from pipeline.stages.export import Export
from pipeline.stages.hole_fill import HoleFill
from pipeline.stages.meshing import Meshing

NOISE = 0.05


def worked(part: Part, stages: Sequence[Stage], folder: Path) -> tuple[Part, StageContext]:
    """The part after the stages, and the context of the last."""
    for stage in stages:
        context = StageContext(np.random.default_rng(0), folder, type(stage).all_measures())
        part = stage.apply(part, context)
    return part, context


def scanned(fitting: str, operator: int, points: int) -> Part:
    """A part as one of two operators scans it: other sides first, another orbit, another frame."""
    sides, elevations = (
        (("top", "bottom", "left"), (15.0, 38, 62, 85)),
        (("left", "top", "bottom"), (10.0, 30, 55, 80)),
    )[operator]
    found = scan_sides(
        Scene(part=FITTINGS[fitting](None), riser="block", seed=operator),
        sides,
        points=points,
        noise_mm=NOISE,
        seed=17 * operator + 1,
        aligned=True,
        scanner=Scanner(elevations_deg=elevations, flying_percent=0, stray_percent=0, field_ratio=1.05),
        colours=False,
    )
    frame = np.eye(4)
    frame[:3, :3] = Rotation.random(random_state=operator + 3).as_matrix()
    frame[:3, 3] = [50.0 * operator, -20, 300]
    captures = [replace(one.capture.select(one.labels == Label.PART), part_from_capture=frame) for one in found]
    return Part(fitting, tuple(captures), declared=Declared(aligned=True))


def delivered(part: Part) -> Mesh:
    assert part.mesh is not None
    return replace(part.mesh, vertices=transformed(part.mesh.vertices, part.deliverable_from_part))


def datum_error(parts: Sequence[Part]) -> float:
    """Mean distance between where two datums put the same surface, mm; the frames of the captures are known."""
    one, other = (part.deliverable_from_part @ part.captures[0].part_from_capture for part in parts)
    mesh = delivered(parts[0])
    return float(np.linalg.norm(transformed(mesh.vertices, other @ np.linalg.inv(one)) - mesh.vertices, axis=1).mean())


def test_two_operators_get_the_same_deliverable(tmp_path: Path) -> None:
    stages = (Meshing(), HoleFill(close_all=True), Decimation(max_deviation_mm=0.03), Datum())
    parts = [worked(scanned("swan-finial", operator, 90_000), stages, tmp_path)[0] for operator in (0, 1)]
    one, other = map(delivered, parts)
    places, face = sample_surface(one.vertices, one.faces, 20_000)
    apart = Surface(other.vertices, other.faces).distance(places)
    assert apart[~one.filled[face]].mean() < 0.5 * NOISE
    assert datum_error(parts) < 0.3 * NOISE
    sizes = [caliper_extents(mesh.vertices, mesh.faces) for mesh in (one, other)]
    assert sizes[0] == pytest.approx(sizes[1], abs=0.2)  # tips are as sharp as the points lie close
    volumes = [volume(mesh.vertices, mesh.faces) for mesh in (one, other)]
    assert volumes[0] == pytest.approx(volumes[1], rel=5e-4)


def test_a_part_with_open_bores_comes_to_the_same_pose(tmp_path: Path) -> None:
    parts = [
        worked(scanned("gudgeon", operator, 60_000), (Meshing(), HoleFill(), Datum()), tmp_path)[0]
        for operator in (0, 1)
    ]
    assert datum_error(parts) < 0.3 * NOISE
    sizes = [caliper_extents(mesh.vertices, mesh.faces, NOISE) for mesh in map(delivered, parts)]
    assert sizes[0] == pytest.approx(sizes[1], rel=5e-4, abs=2 * NOISE)


def bracket_part(**more: object) -> Part:
    truth = FITTINGS["gudgeon"](None)
    points, _ = sample_surface(truth.vertices, truth.faces, 20_000)
    capture = Capture("a.ply", points, **more)  # type: ignore[arg-type]
    return Part("gudgeon", (capture,), Mesh(truth.vertices, truth.faces), declared=Declared(aligned=True))


def test_what_is_written_stands_and_what_is_checked_still_fits(tmp_path: Path) -> None:
    part, context = worked(bracket_part(), (Datum(), Export(format="ply"), DeviationCheck(tolerance_mm=0.1)), tmp_path)
    assert context.measures["max_mm"] < 0.01
    written = read_mesh(tmp_path / part.deliverables[0].file, format="ply", unit="mm")
    assert written.vertices[:, 2].min() == pytest.approx(0, abs=0.01)
    assert part.mesh is not None
    assert np.array_equal(part.mesh.vertices, bracket_part().mesh.vertices)  # type: ignore[union-attr]


def test_points_of_the_ticket_come_through_the_pose_of_their_capture(tmp_path: Path) -> None:
    pose = np.eye(4)
    pose[:3, 3] = [0, 0, 10]
    points = np.array([[0.0, 0, -10], [10, 0, -10], [0, 10, -10]])
    part, _ = worked(bracket_part(part_from_capture=pose, datum_points=points), (Datum(pose="points"),), tmp_path)
    assert part.deliverable_from_part == pytest.approx(np.eye(4))
    of_recipe = Datum(pose="points", points_mm=((1.0, 2.0, 3.0), (1.0, 12.0, 3.0), (0.0, 2.0, 3.0)))
    part, context = worked(bracket_part(), (of_recipe,), tmp_path)
    assert transformed(np.array([[1.0, 12, 3]]), part.deliverable_from_part) == pytest.approx(np.array([[10, 0, 0]]))
    assert context.measures["turned_deg"] == pytest.approx(90)


@pytest.mark.parametrize("points", [None, np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]])])
def test_points_that_are_missing_or_in_a_line_are_a_doubt(points: np.ndarray | None, tmp_path: Path) -> None:
    more = {} if points is None else {"datum_points": points}
    part, context = worked(bracket_part(**more), (Datum(pose="points"),), tmp_path)
    assert part.deliverable_from_part == pytest.approx(np.eye(4))
    assert context.reasons


def test_keep_keeps(tmp_path: Path) -> None:
    part, context = worked(bracket_part(), (Datum(pose="keep"),), tmp_path)
    assert np.array_equal(part.deliverable_from_part, np.eye(4))
    assert context.warnings == []


def test_a_part_without_a_flat_face_lies_along_its_axes(tmp_path: Path) -> None:
    import trimesh

    egg = trimesh.creation.icosphere(5, 1.0)
    part = Part("egg", (), Mesh(egg.vertices * [20, 50, 30], egg.faces))
    part, context = worked(part, (Datum(),), tmp_path)
    assert any("No flat face" in text for text in context.warnings)
    assert part.mesh is not None
    size = np.ptp(transformed(part.mesh.vertices, part.deliverable_from_part), axis=0)
    assert size == pytest.approx([100, 60, 40], rel=1e-3)


def test_a_surface_that_encloses_nothing_stays_where_it_is(tmp_path: Path) -> None:
    flat = np.array([[0.0, 0, 0], [9, 0, 0], [0, 9, 0], [9, 9, 0]])
    part = Part("sheet", (), Mesh(flat, np.array([[0, 1, 2], [1, 3, 2]])))
    part, context = worked(part, (Datum(),), tmp_path)
    assert np.array_equal(part.deliverable_from_part, np.eye(4))
    assert any("not moved" in text for text in context.warnings)


def test_what_one_capture_shows_from_above_is_no_base(tmp_path: Path) -> None:
    """A plate scanned from above: its top is the largest measured flat face, and yet nobody wants it upside down."""
    truth = FITTINGS["nameplate"](None)
    seen = (truth.vertices[truth.faces][:, :, 2] > truth.vertices[:, 2].min() + 0.5).any(axis=1)
    plane = np.array([0.0, 0, 1, -truth.vertices[:, 2].min()])
    capture = Capture("a.ply", sample_surface(truth.vertices, truth.faces[seen], 20_000)[0], support_plane=plane)
    alone = Part("plate", (capture,), Mesh(truth.vertices, truth.faces[seen]))
    part, context = worked(alone, (Datum(),), tmp_path)
    assert part.deliverable_from_part[2, 2] == pytest.approx(1)
    placed = transformed(truth.vertices, part.deliverable_from_part)
    assert placed[:, 2].min() == pytest.approx(0, abs=0.1)
    assert any("stands as it lay" in text for text in context.warnings)
    whole, context = worked(replace(alone, mesh=Mesh(truth.vertices, truth.faces)), (Datum(),), tmp_path)
    assert whole.deliverable_from_part[2, 2] == pytest.approx(1)
    assert not any("stands as it lay" in text for text in context.warnings)


def test_a_recipe_that_poses_after_writing_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "r.yaml"
    file.write_text("recipe: 1\nname: r\nstages:\n  - stage: meshing\n  - stage: export\n  - stage: datum\n")
    with pytest.raises(ConfigurationError, match="put it after datum"):
        load_recipe(file)
