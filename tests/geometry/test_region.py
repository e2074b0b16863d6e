"""Regions grown from a place end where their shape ends."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import box, icosphere

from pipeline.geometry.deviation import sample_surface
from pipeline.geometry.fits import Kind
from pipeline.geometry.region import Region, grown, points_of
from pipeline.part import Mesh
from pipeline.simulate.fittings import FITTINGS

GUDGEON = FITTINGS["gudgeon"](None)


def region(mesh: Mesh, seed: tuple[float, float, float], kind: Kind) -> Region:
    found = grown(mesh, np.array(seed), kind, ~mesh.filled, 0.01)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("seed", "radius", "axis"),
    [((0, 20, 35), 13.0, (0, 1, 0)), ((0, -15, 72), 24.0, (0, 1, 0)), ((63.4, 27.9, 5), 5.5, (0, 0, 1))],
)
def test_bores_and_barrels_of_a_gudgeon(
    seed: tuple[float, float, float], radius: float, axis: tuple[float, float, float]
) -> None:
    """Bore, barrel and bolt hole of the truth mesh, whose proportions are those of ``fittings.gudgeon``."""
    fit = region(GUDGEON, seed, "cylinder").fit
    assert fit.radius == pytest.approx(radius, abs=0.02)
    assert abs(fit.axis @ axis) == pytest.approx(1, abs=1e-4)


def test_a_plane_ends_at_its_edges() -> None:
    mesh = Mesh(*box((60, 40, 20), level=4))
    found = region(mesh, (5, 3, 10), "plane")
    top = mesh.vertices[mesh.faces][:, :, 2].min(axis=1) > 9.99
    assert np.array_equal(found.faces, top)
    assert found.inner.sum() < top.sum()
    assert found.fit.form < 1e-9


def test_filled_surface_stays_out_even_amid_the_region() -> None:
    vertices, faces = box((60, 40, 20), level=4)
    hole = np.linalg.norm(vertices[faces].mean(axis=1) - [0, 0, 10], axis=1) < 6
    dented = vertices.copy()
    dented[np.linalg.norm(vertices - [0, 0, 10], axis=1) < 5] += [0, 0, -0.05]
    found = region(Mesh(dented, faces, hole), (15, 3, 10), "plane")
    assert not (found.faces & hole).any()
    assert found.fit.form < 1e-9


def test_nothing_of_the_kind_is_none() -> None:
    ball = Mesh(*icosphere(4, 25))
    assert region(ball, (25, 0, 0), "sphere").fit.radius == pytest.approx(25, abs=1e-6)
    assert grown(ball, np.array([25.0, 0, 0]), "sphere", np.zeros(len(ball.faces), bool), 0.01) is None
    far = region(ball, (40.0, 0, 0), "sphere")
    assert far.away > 14


def test_points_belong_to_the_face_that_is_nearest() -> None:
    mesh = Mesh(*box((60, 40, 20), level=4))
    found = region(mesh, (5, 3, 10), "plane")
    points, _ = sample_surface(mesh.vertices, mesh.faces, 5_000)
    points = np.vstack([points, [[0, 0, 11.0]]])
    chosen = points_of(mesh, found, points, 0.1)
    assert len(chosen) > 500
    assert chosen[:, 2] == pytest.approx(np.full(len(chosen), 10.0), abs=1e-6)
    assert len(points_of(mesh, found, np.array([[500.0, 0, 0]]), 0.1)) == 0
