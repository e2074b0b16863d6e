"""Captures in, one surface out: accurate, open where nothing was measured, the same every time."""

from __future__ import annotations

from pathlib import Path

import manifold3d
import numpy as np
import pytest
import trimesh

from pipeline.errors import JobStopped, Outcome
from pipeline.geometry.deviation import Surface
from pipeline.geometry.native import open3d
from pipeline.geometry.topology import inspect_mesh
from pipeline.part import Capture, Declared, Part
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.scanner import scan_sides
from pipeline.simulate.scene import Label, Scene
from pipeline.stage import StageContext
from pipeline.stages.meshing import Meshing

NOISE = 0.05


def solid(manifold: manifold3d.Manifold) -> trimesh.Trimesh:
    mesh = manifold.to_mesh()
    return trimesh.Trimesh(mesh.vert_properties[:, :3], mesh.tri_verts, process=False)


def tee() -> trimesh.Trimesh:
    """A pipe tee, three open ends, walls of 2 mm."""
    run = [manifold3d.Manifold.cylinder(40 + 2 * k, r, r, 96, True) for k, r in enumerate((8, 6))]
    branch = [manifold3d.Manifold.cylinder(20 + k, r, r, 96).rotate((90, 0, 0)) for k, r in enumerate((8, 6))]
    return solid(run[0] + branch[0] - run[1] - branch[1])


def sampled(truth: trimesh.Trimesh, count: int, keep=None, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    points, face = trimesh.sample.sample_surface(truth, count, seed=seed)
    normals = truth.face_normals[face]
    points = np.asarray(points) + normals * np.random.default_rng(seed).normal(0, NOISE, (count, 1))
    chosen = np.ones(count, bool) if keep is None else keep(points, normals)
    return points[chosen], normals[chosen]


def meshed(*captures: Capture, declared: Declared = Declared(aligned=True), **parameters):  # noqa: B008
    context = StageContext(np.random.default_rng(0), Path("/nowhere"), Meshing.all_measures())
    part = Meshing(**parameters).run(Part("fitting", captures, declared=declared), context)
    return part.mesh, context


def distances(mesh, truth: trimesh.Trimesh, count: int = 20_000) -> np.ndarray:
    points, _ = trimesh.sample.sample_surface(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False), count, seed=5)
    library = open3d()
    scene = library.t.geometry.RaycastingScene()
    corners = library.core.Tensor(np.array(truth.vertices, np.float32))
    scene.add_triangles(corners, library.core.Tensor(np.array(truth.faces, np.uint32)))
    return scene.compute_distance(library.core.Tensor(np.array(points, np.float32))).numpy()


@pytest.mark.parametrize("with_normals", [True, False])
def test_tee_keeps_its_walls_and_its_open_ends(with_normals):
    truth = tee()
    points, normals = sampled(truth, 60_000)
    mesh, _ = meshed(Capture("tee.ply", points, normals if with_normals else None))
    report = inspect_mesh(mesh)
    error = distances(mesh, truth)
    assert report.manifold
    assert not report.degenerate_faces + report.duplicate_faces + report.misoriented_edges
    assert len(report.components) == 1
    assert error.mean() <= 0.4 * NOISE
    assert np.percentile(error, 99) <= 2.5 * NOISE
    # A bridged wall or a closed bore would change both.
    own = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert own.area == pytest.approx(truth.area, rel=0.01)
    assert own.volume == pytest.approx(truth.volume, rel=0.01)


@pytest.mark.parametrize(("with_normals", "lost"), [(True, 0.01), (False, 0.04)])
def test_a_blade_of_three_spacings_keeps_both_its_faces(with_normals, lost):
    """Merged, a plate has no volume; bridged, it has other surface between its faces."""
    spacing = 0.3
    thickness = 3 * spacing
    truth = trimesh.creation.box((40, 30, thickness))
    points, normals = sampled(truth, int(truth.area / spacing**2))
    mesh, _ = meshed(Capture("blade.ply", points, normals if with_normals else None))
    own = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert own.volume == pytest.approx(truth.volume, rel=lost)
    assert own.area == pytest.approx(truth.area, rel=lost)
    inner = (np.abs(own.triangles_center[:, :2]) < (17, 12)).all(axis=1)
    height = np.abs(own.triangles_center[inner, 2])
    assert np.abs(height - thickness / 2).max() < thickness / 8  # nothing runs between the faces
    up = own.face_normals[inner, 2] > 0
    assert own.area_faces[inner][up].sum() == pytest.approx(34 * 24, rel=0.05)
    assert own.area_faces[inner][~up].sum() == pytest.approx(34 * 24, rel=0.05)


def test_no_skin_over_the_mouth_of_what_was_scanned_from_outside_only():
    truth = trimesh.creation.cylinder(radius=10, height=30, sections=128)
    points, normals = sampled(truth, 30_000, keep=lambda p, n: np.abs(n[:, 2]) < 0.5)
    mesh, context = meshed(Capture("pipe.ply", points, normals))
    assert np.abs(np.linalg.norm(mesh.vertices[:, :2], axis=1) - 10).max() < 0.5
    assert [len(loop) > 50 for loop in inspect_mesh(mesh).loops] == [True, True]
    assert context.measures["boundary_loops_count"] == 2
    assert not mesh.filled.any()


def test_point_order_and_repetition_do_not_matter():
    points, normals = sampled(trimesh.creation.icosphere(4, 10), 8_000)
    first, _ = meshed(Capture("a.ply", points, normals))
    again, _ = meshed(Capture("a.ply", points, normals))
    assert first.vertices.tobytes() == again.vertices.tobytes()
    assert first.faces.tobytes() == again.faces.tobytes()
    order = np.random.default_rng(3).permutation(len(points))
    shuffled, _ = meshed(Capture("a.ply", points[order], normals[order]))
    truth = trimesh.creation.icosphere(5, 10)
    assert distances(shuffled, truth).mean() == pytest.approx(distances(first, truth).mean(), rel=0.1)
    assert abs(len(shuffled.faces) - len(first.faces)) <= 0.02 * len(first.faces)


@pytest.mark.parametrize("scale", [0.01, 1000.0])
def test_scale_does_not_matter(scale):
    points, normals = sampled(trimesh.creation.icosphere(4, 10), 8_000)
    first, _ = meshed(Capture("a.ply", points, normals))
    scaled, _ = meshed(Capture("a.ply", points * scale, normals))
    assert len(scaled.faces) == pytest.approx(len(first.faces), rel=0.02)
    assert np.ptp(scaled.vertices, axis=0) == pytest.approx(scale * np.ptp(first.vertices, axis=0), rel=1e-2)


def test_captures_are_fused_in_the_part_frame_and_carry_colour():
    truth = trimesh.creation.icosphere(5, 10)
    points, normals = sampled(truth, 12_000)
    pose = trimesh.transformations.rotation_matrix(0.7, (1, 2, 3))
    pose[:3, 3] = (100, -50, 20)
    sides = []
    for k, side in enumerate((points[:, 2] > -3, points[:, 2] < 3)):
        frame = np.linalg.inv(pose) if k else np.eye(4)
        local = points[side] @ frame[:3, :3].T + frame[:3, 3]
        colours = np.full((side.sum(), 3), 40 + 100 * k, np.uint8)
        turned = normals[side] @ frame[:3, :3].T
        sides.append(Capture(f"{k}.ply", local, turned, colours, part_from_capture=pose if k else np.eye(4)))
    mesh, _ = meshed(*sides, declared=Declared())
    assert inspect_mesh(mesh).watertight
    assert distances(mesh, truth).mean() < 0.5 * NOISE
    assert np.abs(mesh.colours[mesh.vertices[:, 2] > 5].astype(int) - 40).max() == 0
    assert np.abs(mesh.colours[mesh.vertices[:, 2] < -5].astype(int) - 140).max() == 0


def test_a_single_mesh_goes_through_with_its_own_triangles():
    box = trimesh.creation.box((10, 20, 30)).subdivide()
    soup = box.vertices[box.faces].reshape(-1, 3)
    faces = np.arange(len(soup)).reshape(-1, 3)
    faces = np.vstack([faces, [[0, 0, 1]]])
    mesh, context = meshed(Capture("box.stl", soup, faces=faces))
    assert len(mesh.faces) == len(box.faces)
    assert len(mesh.vertices) == len(box.vertices)
    assert inspect_mesh(mesh).watertight
    assert context.measures["boundary_loops_count"] == 0


def test_captures_of_different_frames_are_not_thrown_together():
    points, normals = sampled(trimesh.creation.icosphere(3, 10), 2_000)
    with pytest.raises(JobStopped) as stopped:
        meshed(Capture("a.ply", points, normals), Capture("b.ply", points, normals), declared=Declared())
    assert stopped.value.code == "not-aligned"
    assert stopped.value.outcome is Outcome.FAILED


@pytest.mark.parametrize("points", [np.zeros((0, 3)), np.zeros((5, 3)), np.zeros((500, 3))])
def test_too_little_is_refused_in_plain_words(points):
    with pytest.raises(JobStopped) as stopped:
        meshed(Capture("empty.ply", points))
    assert stopped.value.outcome is Outcome.RESCAN
    assert stopped.value.remedy


def halves(shift: float = 0.0) -> list[Capture]:
    points, normals = sampled(trimesh.creation.icosphere(5, 10), 16_000)
    sides = (points[:, 2] > -4, points[:, 2] < 4)
    moved = [points[sides[0]], points[sides[1]] + (0, 0, shift)]
    return [Capture(f"{k}.ply", moved[k], normals[sides[k]]) for k in range(2)]


def test_captures_that_lie_apart_are_doubted():
    _, fine = meshed(*halves())
    _, apart = meshed(*halves(0.6))
    assert not fine.reasons
    assert fine.measures["capture_disagreement_mm"] < NOISE
    assert [reason.code for reason in apart.reasons] == ["captures-disagree"]
    assert apart.measures["capture_disagreement_mm"] > 2 * NOISE


@pytest.mark.parametrize(
    ("thickness", "count", "doubted"), [(0.8, 12_000, True), (0.5, 20_000, True), (4.0, 12_000, False)]
)
def test_a_sheet_too_thin_for_its_noise_is_not_called_good(thickness, count, doubted):
    """Points 0.2 to 0.3 mm apart that scatter by 0.1 mm, seen from both sides and from the edge."""
    sheet, rng, captures = trimesh.creation.box((40, 30, thickness)), np.random.default_rng(0), []
    for number, along in enumerate([(0, 0, 1), (0, 0, -1), (1, 0, 0)]):
        points, face = trimesh.sample.sample_surface(sheet, count, seed=number)
        normals = sheet.face_normals[face]
        points = points + normals * rng.normal(0, 0.1, (len(points), 1))
        seen = normals @ along > -0.1
        captures.append(Capture(f"side-{number}.ply", points[seen]))
    _, context = meshed(*captures)
    assert ("walls-unsure" in [reason.code for reason in context.reasons]) == doubted


def test_normals_of_random_sign_are_estimated_anew():
    points, normals = sampled(trimesh.creation.icosphere(5, 10), 12_000)
    signs = np.random.default_rng(0).choice([-1, 1], (len(points), 1))
    mesh, context = meshed(Capture("a.ply", points, normals * signs))
    assert inspect_mesh(mesh).watertight
    assert context.warnings


def test_mesh_captures_with_large_faces_are_fused():
    box = trimesh.creation.box((20, 20, 20)).subdivide().subdivide().subdivide()
    upper = box.triangles_center[:, 2] > -5
    lower = box.triangles_center[:, 2] < 5
    captures = [Capture(f"{k}.stl", box.vertices, faces=box.faces[side]) for k, side in enumerate((upper, lower))]
    mesh, _ = meshed(*captures)
    assert distances(mesh, box).mean() < 0.02
    assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).area == pytest.approx(box.area, rel=0.02)


def test_a_rigid_motion_moves_the_result_along():
    truth = trimesh.creation.box((20, 12, 8))
    points, normals = sampled(truth, 20_000)
    pose = trimesh.transformations.rotation_matrix(1.1, (2, -1, 3))
    pose[:3, 3] = (300, 50, -80)
    mesh, _ = meshed(Capture("a.ply", points, normals))
    turned, _ = meshed(Capture("a.ply", points, normals, part_from_capture=pose))
    back = trimesh.Trimesh((turned.vertices - pose[:3, 3]) @ pose[:3, :3], turned.faces, process=False)
    first, second = distances(mesh, truth), distances(back, truth)
    assert second.mean() == pytest.approx(first.mean(), rel=0.2)
    assert back.volume == pytest.approx(trimesh.Trimesh(mesh.vertices, mesh.faces).volume, rel=1e-3)


def test_edges_stay_sharp():
    truth = trimesh.creation.box((20, 12, 8))
    points, normals = sampled(truth, 30_000)
    mesh, _ = meshed(Capture("a.ply", points, normals))
    corners = trimesh.proximity.ProximityQuery(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)).vertex(
        truth.vertices
    )[0]
    assert corners.max() < 0.3
    error = distances(mesh, truth)
    assert np.percentile(error, 99) < 1.5 * NOISE


def outside(mesh, truth: trimesh.Trimesh) -> float:
    """How far the farthest vertex sticks out of the truth, mm."""
    return float(Surface(truth.vertices, truth.faces).signed_distance(mesh.vertices)[0].max())


def test_few_spurs_at_edges_whose_other_side_was_hardly_seen(tmp_path):
    """A plate's walls are seen at a grazing angle: faces end where they are, not a cell further out."""
    truth = FITTINGS["nameplate"](None)
    sides = ("top", "bottom", "left")
    shots = scan_sides(Scene(part=truth, table="none", seed=21), sides, points=60_000, seed=21, aligned=True)
    captures = tuple(shot.capture.select(shot.labels == Label.PART) for shot in shots)
    context = StageContext(np.random.default_rng(0), tmp_path, Meshing.all_measures())
    made = Meshing().apply(Part("plate", captures, declared=Declared(aligned=True)), context).mesh
    out = Surface(truth.vertices, truth.faces).signed_distance(made.vertices)[0]
    # 95 of 58,000 vertices stuck out so far before faces were drawn back, up to 0.76 mm.
    assert (out > 0.25).mean() < 5e-4
    assert out.max() < 0.6


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_round_end_gets_no_point(seed):
    """A rod's end of 2 mm radius, three points to a radius: planes far apart meet in the air before it."""
    truth = trimesh.creation.capsule(height=20, radius=2, count=[64, 64])
    points, normals = sampled(truth, 1_500, seed=seed)
    mesh, _ = meshed(Capture("rod.ply", points, normals))
    assert outside(mesh, truth) < 0.5
    assert (Surface(truth.vertices, truth.faces).signed_distance(mesh.vertices)[0] > 0.25).mean() < 0.03
