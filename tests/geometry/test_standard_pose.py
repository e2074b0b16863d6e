"""Standard poses of shapes whose pose is known, however they lie."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from meshes import box, frustum, icosphere
from scipy.spatial.transform import Rotation

from pipeline.geometry.datum_points import datum_from_points
from pipeline.geometry.deviation import Surface
from pipeline.geometry.standard_pose import on_axes, on_base
from pipeline.part import FloatArray, Mesh, transformed
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.solids import box as solid_box
from pipeline.simulate.solids import cylinder, mesh_of, rod, truth_of, union

NOISE = 0.02


def bracket() -> Mesh:
    """A plate with an upright wall at one end and a boss on one side: no turn lays it on itself."""
    return truth_of(
        union(
            solid_box((80, 50, 8), (0, 0, 4)),
            solid_box((8, 50, 40), (-36, 0, 20)),
            cylinder(6, 12).translate((20, 12, 6)),
        )
    )


def turned(mesh: Mesh, seed: int) -> Mesh:
    """The mesh somewhere else, its points a little off."""
    rng = np.random.default_rng(seed)
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = Rotation.random(random_state=seed).as_matrix(), rng.uniform(-300, 300, 3)
    noisy = mesh.vertices + rng.normal(0, 0.005, mesh.vertices.shape)
    return Mesh(transformed(noisy, motion), mesh.faces, mesh.filled)


@settings(max_examples=12)
@given(st.integers(0, 2**31))
def test_a_bracket_stands_on_its_plate_whichever_way_it_lay(seed: int) -> None:
    mesh = turned(bracket(), seed)
    found = on_base(mesh, NOISE)
    assert found is not None
    assert not found.doubts
    standing = transformed(mesh.vertices, found.datum_from_part)
    low, high = standing.min(axis=0), standing.max(axis=0)
    assert low == pytest.approx([-40, -25, 0], abs=0.05)
    assert high == pytest.approx([40, 25, 40], abs=0.05)
    still = on_base(bracket(), NOISE)
    assert still is not None
    assert standing == pytest.approx(transformed(bracket().vertices, still.datum_from_part), abs=0.05)


@pytest.mark.parametrize("name", ["gudgeon", "swan-finial"])
def test_a_fitting_comes_to_the_same_pose_from_two_frames(name: str) -> None:
    truth = FITTINGS[name](None)
    one, other = (on_base(turned(truth, seed), NOISE) for seed in (1, 2))
    assert one is not None
    assert other is not None
    places = [
        transformed(turned(truth, seed).vertices, found.datum_from_part) for seed, found in ((1, one), (2, other))
    ]
    assert np.abs(places[0] - places[1]).mean() < 0.01
    assert one.base is not None
    assert one.base.flatness_mm < 0.04


@pytest.mark.parametrize("part", ["sheave", "pump-impeller", "six-sided"])
def test_what_repeats_itself_in_a_turn_lies_on_itself_from_two_frames(part: str) -> None:
    truth = Mesh(*frustum(30, 30, 20, corners=6)) if part == "six-sided" else FITTINGS[part](None)
    placed = []
    for seed in (1, 2):
        mesh = turned(truth, seed)
        found = on_base(mesh, NOISE)
        assert found is not None
        assert not any("round" in doubt for doubt in found.doubts)
        placed.append(Surface(transformed(mesh.vertices, found.datum_from_part), mesh.faces))
    assert placed[0].distance(placed[1].vertices).mean() < 0.02


def test_filled_surface_is_no_base() -> None:
    mesh = bracket()
    below = (mesh.vertices[mesh.faces][:, :, 2] < 0.01).all(axis=1)
    found = on_base(Mesh(mesh.vertices, mesh.faces, below), NOISE)
    assert found is not None
    assert found.base is not None
    assert abs(found.base.normal[2]) < 0.1, "it stands on its wall, whose outside was measured"


def test_what_is_guessed_inside_moves_no_part_that_has_round_ends() -> None:
    """A pipe with thin flanges on a foot: a guess within it moves the centroid and not the flanges."""
    pipe = union(
        rod((-60, 0, 0), (60, 0, 0), 28),
        rod((-60, 0, 0), (-56, 0, 0), 38),
        rod((56, 0, 0), (60, 0, 0), 38),
        solid_box((100, 16, 34), (0, 0, -17)),
    ) - solid_box((200, 200, 40), (0, 0, -52))
    for y in (-10, 10):
        mesh = mesh_of((pipe - solid_box((60, 10, 14), (0, y, 0))).refine_to_length(2.0))
        away = np.abs(mesh.vertices[mesh.faces] - [0, y, 0]).max(axis=1)
        guessed = (away < [30.1, 5.1, 7.1]).all(axis=1)
        rough = mesh.vertices + np.random.default_rng(1).normal(0, NOISE, mesh.vertices.shape)
        found = on_base(Mesh(rough, mesh.faces, guessed), NOISE)
        assert found is not None
        standing = transformed(mesh.vertices, found.datum_from_part)
        assert (standing[:, 1].max() + standing[:, 1].min()) / 2 == pytest.approx(0, abs=2 * NOISE)


def test_parts_that_repeat_themselves_are_said_to() -> None:
    block = on_base(Mesh(*box((60, 40, 20), level=3)), NOISE)
    assert block is not None
    assert block.distinct < 1e-6
    assert any("same" in doubt for doubt in block.doubts)
    turned_part = on_base(FITTINGS["bollard"](None), NOISE)
    assert turned_part is not None
    assert any("round" in doubt for doubt in turned_part.doubts)


def test_a_ball_has_no_base_and_no_axes() -> None:
    ball = Mesh(*icosphere(4, 30))
    for along in (on_base(ball, NOISE), on_axes(ball)):
        assert along is not None
        assert along.base is None
        assert any("alike" in doubt for doubt in along.doubts)


def test_axes_run_from_the_longest_to_the_shortest() -> None:
    mesh = turned(FITTINGS["swan-finial"](None), 4)
    other = turned(FITTINGS["swan-finial"](None), 5)
    one, two = on_axes(mesh), on_axes(other)
    assert one is not None
    assert two is not None
    placed = transformed(mesh.vertices, one.datum_from_part)
    assert np.all(np.diff(np.ptp(placed, axis=0)) < 0)
    assert np.abs(placed - transformed(other.vertices, two.datum_from_part)).mean() < 0.01


def motion_of(points: list[tuple[float, float, float]]) -> FloatArray:
    motion = datum_from_points(np.array(points, float))
    assert motion is not None
    assert np.linalg.det(motion[:3, :3]) == pytest.approx(1)
    return motion


def test_three_points_make_plane_line_and_origin() -> None:
    points = [(10.0, 5.0, 3.0), (10.0, 25.0, 3.0), (4.0, 7.0, 3.0)]
    placed = transformed(np.array(points), motion_of(points))
    assert placed[0] == pytest.approx([0, 0, 0])
    assert placed[1] == pytest.approx([20, 0, 0])
    assert placed[2] == pytest.approx([2, 6, 0])


def test_six_points_are_three_two_one() -> None:
    points = [(0.0, 0, 5), (50, 0, 5), (0, 40, 5), (3, -2, 8), (33, -2, 1), (-7, 20, 2)]
    placed = transformed(np.array(points), motion_of(points))
    assert placed[:3, 2] == pytest.approx([0, 0, 0])
    assert placed[3:5, 1] == pytest.approx([0, 0])
    assert placed[4, 0] > placed[3, 0]
    assert placed[5, 0] == pytest.approx(0)


def test_points_in_a_line_are_no_datum() -> None:
    assert datum_from_points(np.array([(0.0, 0, 0), (1, 1, 1), (2, 2, 2)])) is None
    upright = [(0.0, 0, 0), (9, 0, 0), (0, 9, 0), (1, 1, 0), (1, 1, 7), (2, 2, 2)]
    assert datum_from_points(np.array(upright)) is None, "the line stands upright on the plane"


@pytest.mark.parametrize(("dome_mm", "doubted"), [(0.0, False), (0.1, False), (0.19, True), (0.22, True), (1.0, False)])
def test_a_face_that_another_scan_may_not_take_for_flat_is_a_doubt(dome_mm: float, doubted: bool) -> None:
    """On either side of the limit, so that one scan stands on it and another does not; far from it nobody doubts."""
    mesh = bracket()
    vertices = mesh.vertices.copy()
    x, y = vertices[:, 0] / 40, vertices[:, 1] / 25
    vertices[:, 2] -= np.where(vertices[:, 2] < 0.01, dome_mm * (1 - x**2) * (1 - y**2), 0)
    found = on_base(Mesh(vertices, mesh.faces, mesh.filled), NOISE)
    assert found is not None
    assert any("hardly flat" in doubt for doubt in found.doubts) == doubted
