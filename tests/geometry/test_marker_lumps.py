"""Lumps found at places that are not exactly theirs."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import box, icosphere

from pipeline.geometry.marker_cuts import cleared
from pipeline.geometry.marker_lumps import LumpFinder, merged
from pipeline.geometry.topology import inspect_mesh
from pipeline.part import Mesh


def domed(height: float) -> Mesh:
    """A ball of 30 mm with a dome 6 mm wide on its pole."""
    vertices, faces = icosphere(6, 30)
    aside = np.linalg.norm(vertices[:, :2], axis=1)
    on = (aside < 3) & (vertices[:, 2] > 0)
    outward = vertices[on] / 30
    vertices[on] += outward * (height * np.sqrt(1 - (aside[on] / 3) ** 2))[:, None]
    return Mesh(vertices, faces)


@pytest.mark.parametrize("off", [(0.0, 0, 0), (0.8, 0.4, 0), (0, -0.6, -2.0)])
def test_foot_axis_and_height(off: tuple[float, float, float]) -> None:
    lump = LumpFinder(domed(2.0), 6.0).at(np.array([0, 0, 32.0]) + off)
    assert lump is not None
    assert lump.height == pytest.approx(2.0, abs=0.05)
    assert lump.place == pytest.approx([0, 0, 30], abs=0.25)
    assert lump.axis[2] > 0.999


def test_the_mesh_stays_closed_and_other_faces_stay() -> None:
    mesh = domed(2.0)
    lump = LumpFinder(mesh, 6.0).at(np.array([0, 0, 32.0]))
    assert lump is not None
    result = cleared(mesh, [lump])
    assert inspect_mesh(result.mesh).watertight
    assert result.open == 0
    assert result.cut.sum() == len(lump.faces)
    assert (~result.mesh.filled).sum() == (~result.cut).sum()
    assert np.linalg.norm(result.mesh.vertices, axis=1) == pytest.approx(
        np.full(len(result.mesh.vertices), 30), abs=0.05
    )


def test_no_surface_no_lump() -> None:
    finder = LumpFinder(Mesh(*box((60, 40, 20), level=4)), 6.0)
    assert finder.at(np.array([0, 0, 40.0])) is None


def test_several_sides_tell_of_the_same_markers() -> None:
    places = np.array([[0.0, 0, 0], [50, 0, 0], [0.5, 0, 0], [50, 1, 0], [0, 90, 0]])
    found = merged(places, 3.0)
    assert len(found) == 3
    assert merged(np.zeros((0, 3)), 3.0).shape == (0, 3)
    assert found[np.argmin(np.linalg.norm(found, axis=1))] == pytest.approx([0.25, 0, 0])
