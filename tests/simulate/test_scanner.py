"""What a scan shows, and what it cannot."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.rays import RayCaster, truth_distance
from pipeline.simulate.scanner import CLEAN, Scanner, SimulatedCapture, scan, scan_sides
from pipeline.simulate.scene import Label, Scene
from pipeline.simulate.solids import box, cylinder, mesh_of, truth_of

GUDGEON = FITTINGS["gudgeon"](None)
BUSY = Scene(part=GUDGEON, riser="block", paper="touching", wall=True, hand=True, second=FITTINGS["sheave"](None))


@pytest.fixture(scope="module")
def busy() -> SimulatedCapture:
    return scan(BUSY, points=60_000, noise_mm=0.08, seed=3)


def test_points_lie_about_the_truth_as_far_as_the_noise_says(busy: SimulatedCapture) -> None:
    """The noise is along the ray; across the surface it is smaller by the cosine of the slant, 0.5 to 1."""
    error = truth_distance(_part_points(busy), GUDGEON)
    assert abs(error.mean()) < 0.003
    assert 0.7 * 0.08 < error.std() < 0.08
    assert np.abs(error).max() < 6 * 0.08


def test_exactly_so_many_points_and_all_kinds(busy: SimulatedCapture) -> None:
    assert len(busy.capture.points) == len(busy.labels) == 60_000
    assert set(busy.labels) == {*Label} - {Label.CLOTH}
    assert (busy.labels == Label.FLYING).sum() == 180
    assert (busy.labels == Label.STRAY).sum() == 60


def test_every_point_lies_on_what_its_label_says(busy: SimulatedCapture) -> None:
    built = BUSY.build()
    scene_from_capture = built.scene_from_part @ busy.part_from_capture
    points = busy.capture.points @ scene_from_capture[:3, :3].T + scene_from_capture[:3, 3]
    for label in set(busy.labels) - {Label.FLYING, Label.STRAY}:
        thing = RayCaster(built.vertices, built.faces[built.labels == label])
        assert thing.distance(points[busy.labels == label]).max() < 6 * 0.08
    everything = RayCaster(built.vertices, built.faces)
    assert everything.distance(points[busy.labels == Label.FLYING]).min() > 0.3
    assert everything.distance(points[busy.labels == Label.STRAY]).min() > 0.9


def test_normals_look_out_of_the_surface(busy: SimulatedCapture) -> None:
    on_part = busy.labels == Label.PART
    points = _part_points(busy)
    normals = busy.capture.normals[on_part] @ busy.part_from_capture[:3, :3].T
    outside = truth_distance(points + normals, GUDGEON) > truth_distance(points, GUDGEON)
    assert outside.mean() > 0.99
    assert np.linalg.norm(normals, axis=1) == pytest.approx(1, abs=1e-5)


def test_the_same_seed_scans_the_same_points(busy: SimulatedCapture) -> None:
    again, other = scan(BUSY, points=60_000, noise_mm=0.08, seed=3), scan(BUSY, points=500, seed=4)
    assert again.capture.points.tobytes() == busy.capture.points.tobytes()
    assert again.capture.colours.tobytes() == busy.capture.colours.tobytes()
    assert not np.array_equal(other.capture.points[0], busy.capture.points[0])


def test_nothing_returns_from_surfaces_seen_at_a_grazing_angle() -> None:
    tower = mesh_of(box((40, 40, 80), (0, 0, 40)))
    above = Scanner(elevations_deg=(89.0,), looks_per_ring=30, flying_percent=0, stray_percent=0)
    points = _part_points(scan(Scene(part=tower), points=8_000, scanner=above, noise_mm=0.01))
    assert len(points) > 500
    assert points[:, 2].min() > 79.9  # the walls are there, but too steep from above


def test_deep_inside_a_bore_nothing_is_seen() -> None:
    """Light that enters within 12 degrees of the wall does not return: the wall ends at radius / tan 12 degrees."""
    pipe = truth_of(cylinder(20, 240) - cylinder(10, 500).translate((0, 0, -100)))
    around = Scanner(elevations_deg=(-80.0, -50.0, 0.0, 50.0, 80.0), flying_percent=0, stray_percent=0)
    scene = Scene(part=pipe, table="none", settle=False)
    points = _part_points(scan(scene, points=60_000, scanner=around, noise_mm=0.02))
    inner = np.hypot(points[:, 0], points[:, 1]) < 10.5
    depth = np.minimum(points[inner, 2], 240 - points[inner, 2])
    assert inner.sum() > 100
    assert depth.max() < 10 / np.tan(np.deg2rad(12)) + 1


def test_what_stands_in_the_shade_of_something_is_not_seen() -> None:
    points = _part_points(scan(Scene(part=GUDGEON), points=30_000, scanner=CLEAN))
    below = (points[:, 2] < 0.5) & (np.abs(points[:, 0]) < 40) & (np.abs(points[:, 1]) < 30)
    assert below.sum() == 0  # it lies on its base
    assert (points[:, 2] < 0.5).sum() > 0  # whose edge is seen


def test_a_ball_alone_has_no_depth_edges_to_fly_at() -> None:
    ball = truth_of(Manifold.sphere(40, 128))
    alone = scan(Scene(part=ball, table="none"), points=10_000)
    assert (alone.labels == Label.FLYING).sum() == 0
    assert len(alone.labels) == 10_000


def test_density_varies_as_told() -> None:
    plate = mesh_of(box((150, 150, 8)))
    even, uneven = (
        _density(_part_points(scan(Scene(part=plate), points=60_000, scanner=Scanner(density_ratio=ratio))))
        for ratio in (1.0, 10.0)
    )
    assert even < 3.5
    assert 1.8 * even < uneven < 12 * even


def test_only_the_working_volume_is_captured() -> None:
    capture = scan(Scene(part=GUDGEON, wall=True), points=20_000, scanner=CLEAN)
    away = np.linalg.norm(capture.capture.points - _part_points(capture, raw=True).mean(axis=0), axis=1)
    assert away.max() < 500


def test_sides_share_the_part_s_frame_or_have_each_their_own() -> None:
    scene = Scene(part=GUDGEON, riser="block")
    aligned = scan_sides(scene, ("top", "bottom"), points=10_000, aligned=True)
    loose = scan_sides(scene, ("top", "bottom"), points=10_000)
    for one in aligned:
        assert one.part_from_capture == pytest.approx(np.eye(4), abs=1e-9)
    for one in (*aligned, *loose):
        assert np.abs(truth_distance(_part_points(one), GUDGEON)).max() < 0.4
    assert not np.allclose(loose[0].part_from_capture, loose[1].part_from_capture)
    assert _part_points(aligned[0])[:, 2].min() > -0.3  # the first side does not show the base,
    assert (np.abs(_part_points(aligned[1])[:, 2]) < 0.3).sum() > 1000  # the second does


def test_a_mesh_capture_is_the_same_surface_in_triangles() -> None:
    one = scan(Scene(part=GUDGEON, riser="block"), points=40_000, form="mesh", normals=False)
    assert one.capture.faces is not None
    assert one.capture.normals is None
    assert one.capture.faces.max() < len(one.capture.points) == len(one.labels)
    error = truth_distance(_part_points(one), GUDGEON)
    assert np.quantile(np.abs(error), 0.5) < 0.05
    assert (one.labels == Label.FLYING).mean() < 0.1  # skin between things


def test_a_part_nobody_can_see_is_an_error() -> None:
    with pytest.raises(ValueError, match="nowhere on this orbit"):
        scan(Scene(part=GUDGEON), points=100, scanner=Scanner(elevations_deg=(-60.0,)))


def _part_points(one: SimulatedCapture, raw: bool = False) -> np.ndarray:
    points = one.capture.points[one.labels == Label.PART]
    return points if raw else points @ one.part_from_capture[:3, :3].T + one.part_from_capture[:3, 3]


def _density(points: np.ndarray) -> float:
    """How much denser the densest tenth of a plate's upper face is than the thinnest, by cells of 15 mm."""
    face = points[points[:, 2] > 3.5]
    count, _, _ = np.histogram2d(face[:, 0], face[:, 1], bins=9, range=[[-67.5, 67.5]] * 2)
    return float(np.quantile(count, 0.95) / max(np.quantile(count, 0.05), 1))
