"""Holes: what is closed, how well, what stays open and is said."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from meshes import box, cgal_meshes, icosphere, pipe, prism, read_obj, read_off, read_stl, sample_meshes, without_cap

from pipeline.geometry.measure import face_areas, volume
from pipeline.geometry.topology import inspect
from pipeline.part import Mesh, Part
from pipeline.places import in_words
from pipeline.stage import StageContext
from pipeline.stages.hole_fill import HoleFill


def filled(vertices: np.ndarray, faces: np.ndarray, **parameters: Any) -> tuple[Mesh, StageContext]:
    stage = HoleFill(**parameters)
    context = StageContext(np.random.default_rng(1), Path(), HoleFill.all_measures())
    part = stage.apply(Part("part", (), Mesh(vertices, faces)), context)
    assert part.mesh is not None
    return part.mesh, context


EVERYTHING: dict[str, Any] = {"max_diameter_mm": 1e6, "fill_bores": True, "fill_outer_border": True}


def test_the_full_bunny_is_closed(npm_package: Callable[[str], Path], debian_package: Callable[[str], Path]) -> None:
    # npm stl-models 0.12: five borders of 80, 42, 40, 39 and 22 edges. A closed copy of the same figure is Debian's
    # glmark2-data bunny.obj, of another scale: its volume, scaled by the extents, is 754.80 cm3.
    vertices, faces = read_stl(npm_package("stl-models@0.12.0") / "package/objects/bunny.bin.stl")
    mesh, context = filled(vertices, faces, max_diameter_mm=1e6, fill_bores=True, fill_outer_border=True)
    report = inspect(mesh.vertices, mesh.faces)
    assert context.measures["holes_before_count"] == 5
    assert context.measures["holes_filled_count"] == 5
    assert report.watertight
    assert mesh.filled.sum() == len(mesh.faces) - 69_451
    assert mesh.filled.sum() >= 80 + 42 + 40 + 39 + 22 - 2 * 5  # T9: n - 2 triangles close n edges at least
    copy = next(debian_package("glmark2-data").rglob("bunny.obj"))
    closed_vertices, closed_faces = read_obj(copy)
    closed_vertices, inverse = np.unique(closed_vertices, axis=0, return_inverse=True)
    closed_faces = inverse.reshape(-1)[closed_faces]
    scale = np.ptp(mesh.vertices, axis=0).max() / np.ptp(closed_vertices, axis=0).max()
    assert volume(mesh.vertices, mesh.faces) == pytest.approx(
        abs(volume(closed_vertices, closed_faces)) * scale**3, rel=5e-4
    )


def test_the_textured_bunny_is_closed() -> None:
    # T2: pymeshlab's bunny10k_textured.obj has five borders of 38, 22, 22, 19 and 8 edges
    mesh, context = filled(*read_obj(sample_meshes() / "bunny10k_textured.obj"), **EVERYTHING)
    report = inspect(mesh.vertices, mesh.faces)
    assert (context.measures["holes_before_count"], report.loops_count, report.euler_characteristic) == (5, 0, 2)


@pytest.mark.parametrize(("name", "loops"), [("mech-holes-shark", 4), ("lion-head", 1)])
def test_public_meshes_with_holes(debian_package: Callable[[str], Path], name: str, loops: int) -> None:
    # T5: CGAL's meshes in Debian's libcgal-demo; closed they have the Euler characteristic 2
    mesh, context = filled(*read_off(cgal_meshes(debian_package("libcgal-demo")) / f"{name}.off"), **EVERYTHING)
    assert context.measures["holes_before_count"] == loops
    report = inspect(mesh.vertices, mesh.faces)
    assert (report.loops_count, report.euler_characteristic) == (0, 2)


def test_open_ends_of_a_prism() -> None:
    # T10: a 64-gon prism r = 30.15, h = 100: n / 2 r2 sin(2 pi / n) is the area of an end
    mesh, _ = filled(*prism(30.15, 100, 64), **EVERYTHING)
    areas = face_areas(mesh.vertices, mesh.faces)
    assert volume(mesh.vertices, mesh.faces) == pytest.approx(285119.315, rel=1e-6)
    assert areas[mesh.filled].sum() == pytest.approx(5702.386, rel=1e-6)
    assert areas[mesh.filled].sum() / areas.sum() == pytest.approx(0.231441, rel=1e-5)


@pytest.mark.parametrize("width", [2.0, 5.0, 10.0, 20.0, 30.0])
def test_patches_on_smooth_ground_carry_it_on(width: float) -> None:
    """Spherical ground of radius 50: the flat patch errs by up to r - sqrt(r2 - a2) (T11), 2.3 mm at 30 mm."""
    vertices, faces = icosphere(6, 50.0)
    vertices, faces = without_cap(vertices, faces, (0, 0, 50.0), width / 2)
    mesh, _ = filled(vertices, faces, max_diameter_mm=40.0)
    assert inspect(mesh.vertices, mesh.faces).watertight
    patch = mesh.vertices[np.unique(mesh.faces[mesh.filled])]
    assert np.abs(np.linalg.norm(patch, axis=1) - 50).mean() <= 0.03
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert judge.is_watertight
    assert judge.volume == pytest.approx(4 / 3 * np.pi * 50**3, rel=2e-3)


def test_a_bore_stays_open_unless_ordered() -> None:
    vertices, faces = pipe(30, 22, 60, 96)
    middle = vertices[faces].mean(axis=1)
    inner = np.linalg.norm(middle[:, :2], axis=1) < 23
    mesh, context = filled(vertices, faces[~inner], max_diameter_mm=1000)
    assert not mesh.filled.any()
    assert context.measures["holes_left_count"] == 2
    assert context.warnings


def test_a_hole_wider_than_allowed_stays_open_and_is_named() -> None:
    vertices, faces = without_cap(*icosphere(5, 50.0), (0, 0, 50.0), 12.0)
    mesh, context = filled(vertices, faces, max_diameter_mm=10.0)
    assert not mesh.filled.any()
    assert 18 < context.measures["largest_left_mm"] < 28
    assert any("wider than 10.0 mm" in warning for warning in context.warnings)


def test_a_hole_over_a_corner_is_closed_and_called_a_guess() -> None:
    vertices, faces = box((60, 40, 20), level=5)
    vertices, faces = without_cap(vertices, faces, (30, 20, 10), 5.0)
    mesh, context = filled(vertices, faces, max_diameter_mm=15.0)
    assert inspect(mesh.vertices, mesh.faces).watertight
    assert context.measures["guesses_count"] == 1
    assert volume(mesh.vertices, mesh.faces) == pytest.approx(48_000, rel=2e-3)


def test_close_all_leaves_nothing_open() -> None:
    vertices, faces = without_cap(*icosphere(5, 50.0), (0, 0, 50.0), 45.0)
    mesh, context = filled(vertices, faces, close_all=True)
    assert inspect(mesh.vertices, mesh.faces).watertight
    assert context.measures["holes_left_count"] == 0
    assert context.measures["filled_percent"] > 10
    assert context.measures["holes_filled_count"] == 1
    assert context.measures["largest_filled_mm"] == pytest.approx(2 * 45 * np.sqrt(1 - (45 / 100) ** 2), rel=0.05)


def test_a_bore_whose_middle_nobody_saw_is_said() -> None:
    vertices, faces = pipe(14.0, 8.0, 80.0, 48)
    whole = trimesh.Trimesh(vertices, faces).subdivide_to_size(4.0)
    middle = whole.triangles_center
    hidden = (np.linalg.norm(middle[:, :2], axis=1) < 8.3) & (np.abs(middle[:, 2] - middle[:, 2].mean()) < 20)
    mesh, context = filled(np.array(whole.vertices), whole.faces[~hidden].astype(np.int32), close_all=True)
    assert inspect(mesh.vertices, mesh.faces).watertight
    assert volume(mesh.vertices, mesh.faces) == pytest.approx(np.pi * (14**2 - 8**2) * 80, rel=0.01)
    assert [reason.code for reason in context.reasons] == ["wide-guess"]
    assert "through bores whose middle nobody saw: from (" in in_words(context.reasons[0].text, np.eye(4))
