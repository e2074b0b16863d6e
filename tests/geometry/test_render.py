"""Pictures by ray casting against shapes whose pictures are known."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.geometry.camera import aimed
from pipeline.geometry.coverage import direction_coverage
from pipeline.geometry.deviation import sample_surface
from pipeline.geometry.render import OVERSAMPLING, Studio
from pipeline.geometry.view_mesh import view_mesh

SIZE = (225, 175)
RADIUS = 25.0


def ball(level: int = 5) -> tuple[np.ndarray, np.ndarray]:
    solid = trimesh.creation.icosphere(subdivisions=level, radius=RADIUS)
    return np.array(solid.vertices) + (300, -200, 100), np.array(solid.faces, np.int32)


@pytest.mark.parametrize("towards", [(0.55, -0.8, 0.5), (0, 0, 1), (0, 0, -1), (-1, 0, 0)])
def test_a_ball_is_a_disc_of_its_size(towards: tuple[float, float, float]) -> None:
    vertices, faces = ball()
    shot = Studio(vertices, faces).shoot(aimed(vertices, towards, *SIZE))
    area = len(shot.face) * (shot.camera.mm_per_pixel / OVERSAMPLING) ** 2
    assert area == pytest.approx(np.pi * RADIUS**2, rel=0.005)
    centre = np.array([300, -200, 100])
    assert np.linalg.norm(shot.points - centre, axis=1) == pytest.approx(RADIUS, abs=0.02 * RADIUS)
    true = (shot.points - centre) / np.linalg.norm(shot.points - centre, axis=1)[:, None]
    assert np.einsum("ni,ni->n", true, shot.normals).min() > np.cos(np.deg2rad(1.5))
    assert not shot.back.any()


def test_a_convex_body_takes_no_light_from_itself() -> None:
    vertices, faces = ball(6)
    shot = Studio(vertices, faces).shoot(aimed(vertices, (0.3, -1, 0.4), *SIZE))
    assert shot.sky.mean() > 0.98


def test_a_hollow_is_darker_than_what_lies_open() -> None:
    """A block with a deep square well, seen from above."""
    block = trimesh.creation.box((60, 60, 40))
    well = trimesh.creation.box((16, 16, 30))
    well.apply_translation((0, 0, 5.001))
    solid = trimesh.boolean.difference([block, well], engine="manifold")
    vertices, faces = np.array(solid.vertices), np.array(solid.faces, np.int32)
    shot = Studio(vertices, faces).shoot(aimed(vertices, (0, 0, 1), *SIZE))
    floor = shot.points[:, 2] < 0
    assert floor.any()
    assert shot.sky[floor].mean() < 0.6 < shot.sky[~floor].mean()


def test_a_box_has_flat_faces_and_sharp_edges() -> None:
    solid = trimesh.creation.box((40, 30, 20))
    vertices, faces = np.array(solid.vertices), np.array(solid.faces, np.int32)
    shot = Studio(vertices, faces).shoot(aimed(vertices, (0.55, -0.8, 0.5), *SIZE))
    assert np.abs(shot.normals).max(axis=1) == pytest.approx(1, abs=1e-5)
    assert 0.002 < shot.contour.mean() < 0.1


def test_the_inside_of_an_open_surface_is_known() -> None:
    vertices, faces = ball(4)
    upper = faces[(vertices[faces].mean(axis=1)[:, 2] > 100)]
    shot = Studio(vertices, upper).shoot(aimed(vertices[np.unique(upper)], (0, 0, -1), *SIZE))
    assert shot.back.all()


def test_scale_is_read_off_rightly() -> None:
    """A body of 40 mm is as many pixels wide as its scale says."""
    solid = trimesh.creation.box((40, 30, 20))
    vertices, faces = np.array(solid.vertices), np.array(solid.faces, np.int32)
    shot = Studio(vertices, faces).shoot(aimed(vertices, (0, -1, 0), *SIZE))
    wide = (np.ptp(shot.column) + 1) / OVERSAMPLING * shot.camera.mm_per_pixel
    assert wide == pytest.approx(40, abs=shot.camera.mm_per_pixel)


def test_the_same_every_time() -> None:
    vertices, faces = ball(4)
    shots = [Studio(vertices, faces).shoot(aimed(vertices, (1, -1, 1), *SIZE)) for _ in range(2)]
    for name in ("face", "points", "normals", "sky", "lamp", "contour"):
        assert np.array_equal(getattr(shots[0], name), getattr(shots[1], name)), name


def test_directions_of_a_closed_and_of_an_open_ball() -> None:
    vertices, faces = ball(4)
    _, face = sample_surface(vertices, faces, 20_000)
    whole = direction_coverage(vertices, faces, face, np.ones(len(face), bool))
    assert min(whole.values()) > 98
    upper = faces[(vertices[faces].mean(axis=1)[:, 2] > 100)]
    _, face = sample_surface(vertices, upper, 20_000)
    half = direction_coverage(vertices, upper, face, np.ones(len(face), bool))
    assert half["underside"] < 1
    assert half["top"] > 98


def test_a_light_copy_keeps_its_size_and_number() -> None:
    vertices, faces = ball(6)
    light, few = view_mesh(vertices, faces, 5_000)
    assert len(few) <= 5_000
    assert np.ptp(light, axis=0) == pytest.approx(np.ptp(vertices, axis=0), rel=0.01)


def test_faces_that_share_no_edges_are_thinned_all_the_same() -> None:
    vertices, faces = ball(5)
    apart = vertices[faces].reshape(-1, 3)
    loose = np.arange(len(apart), dtype=np.int32).reshape(-1, 3)
    light, few = view_mesh(apart, loose, 5_000)
    assert 500 < len(few) <= 5_000
    assert np.ptp(light, axis=0) == pytest.approx(np.ptp(vertices, axis=0), rel=0.05)
