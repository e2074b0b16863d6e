"""Bores that go on where nobody saw it, judged by trimesh and by the volume of a bored block."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from meshes import cross_bored, off_bores, unseen

from pipeline.geometry.holes import find_holes
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.junctions import with_junctions
from pipeline.geometry.measure import mean_cell
from pipeline.geometry.rims import rims_on_walls
from pipeline.geometry.wall_pieces import Seen
from pipeline.part import BoolArray, FloatArray, Mesh, Part
from pipeline.stage import StageContext
from pipeline.stages.hole_fill import HoleFill

BORE = 13.0


def hidden_part(vertices: FloatArray, faces: np.ndarray, along_mm: float, up_mm: float, bore_mm: float) -> BoolArray:
    """Faces of both walls about where they meet."""
    x, y, z = (middles := vertices[faces].mean(axis=1)).T
    ragged = np.sin(3 * np.arctan2(y, z))
    along, up = off_bores(middles, bore_mm)
    in_one, in_other = np.abs(along) < 0.1, (np.abs(up) < 0.1) & (z > 0)
    hidden: BoolArray = (in_one & (np.abs(x + ragged) < along_mm)) | (in_other & (z + ragged < up_mm))
    return hidden


def joined(mesh: Mesh) -> tuple[Mesh, int]:
    around = Incidence(mesh.faces, len(mesh.vertices))
    cell = mean_cell(mesh.vertices, mesh.faces)
    made, met = with_junctions(Seen(mesh), rims_on_walls(mesh, find_holes(mesh, around), around, cell), cell)
    return made.mesh, len(met)


@pytest.mark.parametrize("bore_mm", [BORE, 10.0], ids=["wider than its branch", "as wide"])
def test_walls_go_on_to_where_the_bores_meet(bore_mm: float) -> None:
    """The branch was shut where it came to the other bore: of pipe tees, six and thirteen percent too much came out.

    And 29 of one as wide as its branch, which cut the run in two.
    """
    vertices, faces = cross_bored(bore_mm)
    mesh = unseen(vertices, faces, hidden_part(vertices, faces, 18, 20, bore_mm))
    made, count = joined(mesh)
    assert count == 3
    assert made.filled[len(mesh.faces) :].all()
    assert made.colours is not None
    assert (made.colours == (200, 40, 40)).all()
    laid = made.vertices[len(mesh.vertices) :]
    z, (along, up) = laid[:, 2], off_bores(laid, bore_mm)
    assert np.where(z > 0, np.minimum(np.abs(along), np.abs(up)), np.abs(along)).max() < 0.1
    assert np.minimum(along, np.where(z > 0, up, 0)).min() > -0.1
    assert np.count_nonzero((np.abs(laid[:, 0]) < 9) & (z < -0.9 * bore_mm)) > 20  # across from the branch
    context = StageContext(np.random.default_rng(0), Path(), HoleFill.all_measures())
    closed = HoleFill(close_all=True).apply(Part("block", (), mesh=mesh), context).mesh
    assert closed is not None
    judge = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
    assert judge.is_watertight
    assert judge.euler_number == -2  # three mouths that lead to one another: two handles
    assert judge.volume == pytest.approx(trimesh.Trimesh(vertices, faces, process=False).volume, rel=3e-4)
    assert "bores that go on where nobody saw it" in context.reasons[0].text


def test_a_wall_goes_on_to_a_piece_of_it_that_was_seen_through_another_opening() -> None:
    """Of a blind bore with a branch, five percent too much came out."""
    vertices, faces = cross_bored(BORE)
    x, _, z = (middles := vertices[faces].mean(axis=1)).T
    along, up = off_bores(middles, BORE)
    in_run, in_branch = np.abs(along) < 0.1, (np.abs(up) < 0.1) & (z > 0)
    piece = (np.hypot(x, middles[:, 1]) < 8) & (z < 0)
    mesh = unseen(vertices, faces, in_branch | (in_run & (x < 20) & ~piece))
    made, count = joined(mesh)
    assert count == 1
    laid = made.vertices[len(mesh.vertices) :]
    assert np.abs(off_bores(laid, BORE)[0]).max() < 0.1
    assert laid[:, 0].min() == pytest.approx(-8, abs=1.5)


def test_a_bore_that_points_at_no_other_is_left_to_others() -> None:
    vertices, faces = cross_bored(BORE)
    x, _, z = (middles := vertices[faces].mean(axis=1)).T
    along, up = off_bores(middles, BORE)
    in_branch = (np.abs(up) < 0.1) & (z > 0)
    away = unseen(vertices, faces, in_branch & (z > 20) | (z > 29.9))
    assert joined(away)[1] == 0
    in_one = np.abs(along) < 0.1
    far = unseen(vertices, faces, in_one & (x > 25) & (x < 35))
    assert joined(far)[1] == 0
