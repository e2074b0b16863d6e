"""Markers go, the surface beneath stays what it was, and nobody's measured points are held against it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import trimesh
from meshes import box

from pipeline.geometry.deviation import Surface, sample_surface
from pipeline.part import Capture, Declared, Mesh, Part
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.lumps import Marked, with_lumps
from pipeline.stage import StageContext
from pipeline.stages.deviation_check import DeviationCheck
from pipeline.stages.marker_removal import MarkerRemoval
from pipeline.stages.meshing import Meshing

NOISE = 0.04


def egg() -> Mesh:
    ball = trimesh.creation.icosphere(5, 1.0)
    return Mesh(ball.vertices * [28, 22, 19], ball.faces)


@cache
def scanned(height: float, width: float = 6.0) -> tuple[Part, Marked]:
    """Noisy points of an egg with two lumps, in a capture of its own frame, and the mesh made of them."""
    marked = with_lumps(egg(), 2, height_mm=height, width_mm=width, seed=3)
    points, face = sample_surface(marked.mesh.vertices, marked.mesh.faces, 50_000)
    corners = marked.mesh.vertices[marked.mesh.faces[face]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    points = points + normals * np.random.default_rng(1).normal(0, NOISE, (len(points), 1))
    pose = np.eye(4)
    pose[:3, 3] = [10, -20, 5]
    told = marked.tops + np.random.default_rng(2).normal(0, 0.2, marked.tops.shape)
    captures = tuple(
        Capture(
            f"{name}.ply",
            points[name::2] - pose[:3, 3],
            normals[name::2],
            part_from_capture=pose,
            markers=told - pose[:3, 3],
        )
        for name in (0, 1)
    )
    part = Part("egg", captures, declared=Declared(aligned=True))
    return Meshing().apply(part, context_of(Meshing())), marked


def context_of(stage: Meshing | MarkerRemoval | DeviationCheck, folder: Path = Path()) -> StageContext:
    return StageContext(np.random.default_rng(0), folder, stage.all_measures())


def removed(part: Part, *, detect: bool = False) -> tuple[Part, StageContext]:
    stage = MarkerRemoval(detect=detect)
    context = context_of(stage)
    return stage.apply(part, context), context


@pytest.mark.parametrize("height", [0.2, 1.0, 4.0])
def test_a_lump_goes_and_the_surface_beneath_is_true(height: float) -> None:
    """6 mm wide and 0.2 to 4 mm high; the patch lies within 0.05 mm of the bare part on average."""
    part, marked = scanned(height)
    after, context = removed(part)
    assert not context.warnings
    assert not context.reasons
    assert context.measures["markers_given_count"] == 2, "both captures tell of the same two"
    assert context.measures["markers_removed_count"] == 2
    assert context.measures["highest_mm"] == pytest.approx(height, rel=0.1, abs=0.25)
    mesh = after.mesh
    assert mesh is not None
    truth = egg()
    bare = Surface(truth.vertices, truth.faces)
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    for top in marked.tops:
        patch = mesh.filled & (np.linalg.norm(middles - top, axis=1) < 10)
        assert patch.any()
        places, _ = sample_surface(mesh.vertices, mesh.faces[patch], 2_000)
        assert bare.distance(places).mean() < 0.05
    assert bare.distance(mesh.vertices).max() < 0.4, "nothing of the lumps is left"


def test_points_on_a_marker_are_not_held_against_the_surface(tmp_path: Path) -> None:
    part, _ = scanned(4.0)
    after, _ = removed(part)
    assert 0 < part.point_count - after.point_count < 0.1 * part.point_count
    check = DeviationCheck(tolerance_mm=0.3)
    context = context_of(check, tmp_path)
    check.apply(after, context)
    assert context.measures["beyond_tolerance_percent"] == 0
    assert context.measures["unmeasured_percent"] > 1


def test_without_markers_nothing_changes() -> None:
    part, _ = scanned(1.0)
    plain = untold(part)
    after, context = removed(plain)
    assert after is plain
    assert context.measures["markers_given_count"] == 0


def test_a_marker_beside_the_part_and_one_that_is_flat_are_said_and_left() -> None:
    part, _ = scanned(1.0)
    assert part.mesh is not None
    pose = part.captures[0].part_from_capture[:3, 3]
    bottom = part.mesh.vertices[np.argmin(part.mesh.vertices[:, 2])]
    told = np.array([[300.0, 0, 0], bottom]) - pose
    away = part.with_captures([replace(part.captures[0], markers=told)])
    after, context = removed(away)
    assert after.mesh is part.mesh
    assert any("no measured surface" in text for text in context.warnings)
    assert any("no higher than the noise" in text for text in context.warnings)


@pytest.mark.parametrize(("width", "wider"), [(6.0, False), (10.0, True)])
def test_a_marker_wider_than_told_is_a_doubt(width: float, wider: bool) -> None:
    _, context = removed(scanned(1.0, width)[0])
    assert [reason.code for reason in context.reasons] == ["marker-wider"] * wider


def untold(part: Part) -> Part:
    return part.with_captures([replace(capture, markers=np.zeros((0, 3))) for capture in part.captures])


def test_lumps_are_looked_for_only_when_asked_and_then_are_a_question() -> None:
    part, _ = scanned(1.0)
    after, context = removed(untold(part), detect=True)
    assert context.measures["markers_detected_count"] == 2
    assert [reason.code for reason in context.reasons] == ["markers-detected"]
    assert after.mesh is not None
    truth = egg()
    assert Surface(truth.vertices, truth.faces).distance(after.mesh.vertices).max() < 0.4
    _, context = removed(part, detect=True)
    assert context.measures["markers_detected_count"] == 0, "the ticket gives them"
    assert not context.reasons


def test_nothing_is_found_on_a_bare_part() -> None:
    for mesh in (egg(), FITTINGS["nameplate"](None)):
        bare = Part("bare", (), mesh, declared=Declared(aligned=True))
        after, context = removed(bare, detect=True)
        assert after is bare
        assert not context.reasons


def test_a_marker_across_an_edge_is_a_doubt() -> None:
    vertices, faces = box((60, 40, 20), level=6)
    lump = vertices.copy()
    near = np.linalg.norm(vertices - [30, 0, 10], axis=1) < 3
    lump[near] += np.array([1.0, 0, 1.0])
    capture = Capture("a.ply", sample_surface(lump, faces, 20_000)[0], markers=np.array([[31.0, 0, 11.0]]))
    part = Part("block", (capture,), Mesh(lump, faces), declared=Declared(aligned=True))
    after, context = removed(part)
    assert [reason.code for reason in context.reasons] == ["marker-on-edge"]
    assert after.mesh is not None
    assert after.mesh.filled.any()


def test_the_other_face_of_a_thin_wall_stays() -> None:
    vertices, faces = box((60, 40, 1.5), level=6)
    lump = vertices.copy()
    away = np.linalg.norm(vertices[:, :2] - [5, 5], axis=1)
    on_top = (away < 3) & (vertices[:, 2] > 0)
    lump[on_top, 2] += 1.5 * np.sqrt(1 - (away[on_top] / 3) ** 2)
    capture = Capture("a.ply", sample_surface(lump, faces, 20_000)[0], markers=np.array([[5.0, 5, 2.25]]))
    after, _ = removed(Part("sheet", (capture,), Mesh(lump, faces), declared=Declared(aligned=True)))
    mesh = after.mesh
    assert mesh is not None
    filled = mesh.vertices[mesh.faces[mesh.filled]].reshape(-1, 3)
    assert filled[:, 2] == pytest.approx(np.full(len(filled), 0.75), abs=0.02)
