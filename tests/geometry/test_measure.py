"""Closed forms for area, volume, centroid, inertia; [G] numbers are the formulas beside them, worked out."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from meshes import box, frustum, icosphere, pipe, torus

from pipeline.geometry import measure


def test_sphere_approaches_closed_form() -> None:
    # G1, G2: 4/3 pi r^3 = 65449.847, 4 pi r^2 = 7853.982; inscribed level-5 icosphere -0.000541, -0.000299
    vertices, faces = icosphere(level=5)
    assert (len(vertices), len(faces)) == (10242, 20480)
    assert measure.volume(vertices, faces) / 65449.847 - 1 == pytest.approx(-0.000541, abs=2e-6)
    assert measure.area(vertices, faces) / 7853.982 - 1 == pytest.approx(-0.000299, abs=2e-6)


def test_torus() -> None:
    # G3: Pappus 2 pi^2 R r^2, 4 pi^2 R r; I_axis/m = R^2 + 3/4 r^2, I_diameter/m = R^2/2 + 5/8 r^2
    vertices, faces = torus(40, 10, around=512, across=256)
    volume = measure.volume(vertices, faces)
    assert volume == pytest.approx(78956.835, rel=1e-3)
    assert measure.area(vertices, faces) == pytest.approx(15791.367, rel=1e-3)
    assert np.linalg.eigvalsh(measure.inertia(vertices, faces)) / volume == pytest.approx(
        [862.5, 862.5, 1675], rel=1e-3
    )


def test_frustum() -> None:
    # G4: pi h/3 (R^2 + R r + r^2), centroid h/4 (R^2 + 2 R r + 3 r^2)/(R^2 + R r + r^2), lateral pi (R + r) slant
    vertices, faces = frustum(30, 20, 50, corners=720)
    assert measure.volume(vertices, faces) == pytest.approx(99483.767, rel=1e-3)
    assert measure.centroid(vertices, faces) == pytest.approx([0, 0, 21.71053], abs=1e-3)
    lateral = np.arange(len(faces)) < 2 * 720
    assert measure.face_areas(vertices, faces)[lateral].sum() == pytest.approx(8009.521, rel=1e-3)


def test_box() -> None:
    # G5: closed form, exact; m/12 (b^2 + c^2) = V (2000, 4000, 5200)/12 -> / 48000 = (8, 16, 20.8)e6 / 48000
    vertices, faces = box((60, 40, 20))
    assert measure.volume(vertices, faces) == pytest.approx(48000, rel=1e-12)
    assert measure.area(vertices, faces) == pytest.approx(8800, rel=1e-12)
    expected = np.diag([8e6, 16e6, 20.8e6]) / 48000
    assert measure.inertia(vertices, faces) / 48000 == pytest.approx(expected, rel=1e-12)
    assert measure.extents(vertices) == pytest.approx([60, 40, 20])


def test_pipe() -> None:
    # G6: steel pipe 60.3 x 3.91 x 100: pi (R^2 - r^2) h = 69267.374; an n-gon prism has n/(2 pi) sin(2 pi/n) of that
    vertices, faces = pipe(60.3 / 2, 60.3 / 2 - 3.91, 100, corners=128)
    assert measure.volume(vertices, faces) / 69267.374 - 1 == pytest.approx(-0.00040155, abs=1e-8)
    vertices, faces = pipe(60.3 / 2, 60.3 / 2 - 3.91, 100, corners=4096)
    assert measure.area(vertices, faces) == pytest.approx(36816.229, rel=1e-6)


def test_sag_of_chords_on_a_sphere() -> None:
    # G7: edge L^2/8r, middle of an equilateral face L^2/6r: what a surface mesh deviates by
    vertices, faces = icosphere(level=4)
    edge = np.linalg.norm(vertices[faces[:, 0]] - vertices[faces[:, 1]], axis=1)
    sag = 25 - np.linalg.norm(vertices[faces].mean(axis=1), axis=1)
    assert np.mean(sag) == pytest.approx(np.mean(edge**2) / (6 * 25), rel=0.01)


@given(st.integers(0, 2**32 - 1), st.floats(0.1, 10))
def test_rigid_motion_and_scale(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    rotation, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    rotation *= np.linalg.det(rotation)
    shift = rng.uniform(-1000, 1000, 3)
    vertices, faces = frustum(30, 20, 50, corners=12)
    moved = scale * (vertices @ rotation.T) + shift
    assert measure.volume(moved, faces) == pytest.approx(scale**3 * measure.volume(vertices, faces), rel=1e-9)
    assert measure.area(moved, faces) == pytest.approx(scale**2 * measure.area(vertices, faces), rel=1e-9)
    expected = scale * rotation @ measure.centroid(vertices, faces) + shift
    assert measure.centroid(moved, faces) == pytest.approx(expected, abs=1e-6)


def test_against_trimesh() -> None:
    import trimesh

    vertices, faces = torus(40, 10, around=40, across=24)
    other = trimesh.Trimesh(vertices, faces, process=False)
    assert measure.volume(vertices, faces) == pytest.approx(other.volume, rel=1e-9)
    assert measure.inertia(vertices, faces) == pytest.approx(other.moment_inertia, rel=1e-6, abs=1e-3)


@pytest.mark.parametrize("level", [0, 3])
def test_jaws_feel_the_same_whatever_triangles_a_surface_is_made_of(level: int) -> None:
    """Of a double pyramid the surface beyond a plane grows with the square of the way from its tip, worked out."""
    vertices = np.array([[10.0, 0, 0], [0, 10, 0], [-10, 0, 0], [0, -10, 0], [0, 0, 100], [0, 0, -100]])
    faces = np.array([[k, (k + 1) % 4, 4] for k in range(4)] + [[(k + 1) % 4, k, 5] for k in range(4)])
    for _ in range(level):
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    assert measure.caliper_extents(vertices, faces)[2] == pytest.approx(200 * (1 - np.sqrt(2e-4)), abs=1e-9)


def test_jaws_feel_a_sphere_and_a_box() -> None:
    vertices, faces = icosphere(level=5)
    assert measure.caliper_extents(vertices, faces) == pytest.approx(3 * [50 * (1 - 2e-4)], abs=0.015)
    assert measure.caliper_extents(*box((30, 20, 10))) == pytest.approx([30, 20, 10], abs=1e-9)


def test_jaws_rest_on_a_level_face_and_not_on_its_noise() -> None:
    vertices, faces = box((100, 60, 10), level=5)
    noisy = vertices + np.random.default_rng(0).normal(0, 0.015, vertices.shape)
    true = np.array([100.0, 60.0, 10.0])
    assert measure.caliper_extents(noisy, faces, 0.05) == pytest.approx(true, abs=0.004)
    assert (measure.caliper_extents(noisy, faces) > true + 0.02).all()


def test_jaws_rest_on_what_stands_out_of_a_level_face_and_on_a_crown_as_before() -> None:
    vertices, faces = box((100, 60, 10), level=5)
    raised = vertices.copy()
    raised[(np.abs(vertices[:, 0]) < 10) & (np.abs(vertices[:, 1]) < 10) & (vertices[:, 2] > 4.9), 2] += 0.3
    assert measure.caliper_extents(raised, faces, 0.05)[2] == pytest.approx(10.3, abs=1e-6)
    crown, of_crown = icosphere(level=5)
    assert (measure.caliper_extents(crown, of_crown, 0.05) == measure.caliper_extents(crown, of_crown)).all()
