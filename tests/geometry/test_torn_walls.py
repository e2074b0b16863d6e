"""Walls seen in pieces, about which one opening runs over other surfaces: judged by trimesh and by known volumes."""

from __future__ import annotations

from pathlib import Path

import manifold3d
import numpy as np
import pytest
import trimesh
from meshes import unseen

from pipeline.geometry.holes import find_holes
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import mean_cell
from pipeline.geometry.rims import Rim, rims_on_walls
from pipeline.geometry.torn_walls import with_torn_walls
from pipeline.geometry.wall_pieces import Seen
from pipeline.part import FloatArray, IndexArray, Mesh, Part
from pipeline.stage import StageContext
from pipeline.stages.hole_fill import HoleFill

BORE, SHAFT, LENGTH = 13.0, 17.0, 80.0


def solid(body: manifold3d.Manifold, cell: float = 1.2) -> tuple[FloatArray, IndexArray]:
    made = body.refine_to_length(cell).to_mesh64()
    vertices = np.array(made.vert_properties[:, :3])
    return vertices + np.random.default_rng(4).normal(0, 0.01, vertices.shape), np.array(made.tri_verts, np.int32)


def tube(branch: bool) -> manifold3d.Manifold:
    """A tube along x, or a tee of it with a branch of the same size along z."""

    def rods(radius: float, beyond: float) -> manifold3d.Manifold:
        run = manifold3d.Manifold.cylinder(LENGTH + 2 * beyond, radius, radius, 120, center=True).rotate((0, 90, 0))
        return run + manifold3d.Manifold.cylinder(45 + beyond, radius, radius, 120) if branch else run

    return rods(SHAFT, 0) - rods(BORE, 1)


def groove() -> manifold3d.Manifold:
    """A block with a half round groove along x in its top."""
    block = manifold3d.Manifold.cube((60, 60, 30), center=True).translate((0, 0, -15))
    return block - manifold3d.Manifold.cylinder(70, BORE, BORE, 120, center=True).rotate((0, 90, 0))


def rims_of(mesh: Mesh) -> tuple[list[Rim], float]:
    around = Incidence(mesh.faces, len(mesh.vertices))
    cell = mean_cell(mesh.vertices, mesh.faces)
    return rims_on_walls(mesh, find_holes(mesh, around), around, cell), cell


@pytest.mark.parametrize("branch", [False, True])
def test_a_bore_stays_open_where_one_opening_runs_over_mouths_and_outside(branch: bool) -> None:
    """It was made solid: the opening lies on no wall alone."""
    body = tube(branch)
    vertices, faces = solid(body)
    middle = vertices[faces].mean(axis=1)
    hidden = middle[:, 1] + np.sin(0.4 * middle[:, 0]) > 6.0
    mesh = unseen(vertices, faces, hidden)
    context = StageContext(np.random.default_rng(0), Path(), HoleFill.all_measures())
    closed = HoleFill(close_all=True).apply(Part("tube", (), mesh=mesh), context).mesh
    assert closed is not None
    judge = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
    assert judge.is_watertight
    assert judge.euler_number == (-2 if branch else 0)
    assert judge.volume == pytest.approx(body.volume(), rel=0.02)  # of the mouths no plane is known
    assert [reason.code for reason in context.reasons] == ["wide-guess"]
    assert "a round wall was carried on" in context.reasons[0].text


def test_nothing_is_missing_of_a_groove_but_what_ends_at_the_rim() -> None:
    vertices, faces = solid(groove())
    x, y, z = vertices[faces].mean(axis=1).T
    hidden = (np.hypot(x - 5, y - 12) < 9) & (z > -12)  # over its edge
    mesh = unseen(vertices, faces, hidden)
    rims, cell = rims_of(mesh)
    assert [len(rim.partly) for rim in rims] == [1]
    made, torn = with_torn_walls(Seen(mesh), rims, cell)
    assert len(torn) == 0
    assert len(made.mesh.faces) == len(mesh.faces)
