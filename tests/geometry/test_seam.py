"""Two meshes sewn together along a gap."""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.geometry.seam import seam
from pipeline.part import IndexArray


def halves(gap: float = 0.6) -> tuple[np.ndarray, IndexArray, IndexArray]:
    """Two bowls of unlike meshes, a ball of radius 10 but for a belt of this width: vertices, and the faces of each."""
    upper, lower = trimesh.creation.icosphere(4, 10.0), trimesh.creation.icosphere(3, 10.0)
    lower.apply_transform(trimesh.transformations.rotation_matrix(0.3, (1, 2, 3)))
    vertices = np.concatenate([upper.vertices, lower.vertices])
    one = upper.faces[(upper.triangles[..., 2] > gap / 2).all(axis=1)].astype(np.int32)
    other = lower.faces[(lower.triangles[..., 2] < -gap / 2).all(axis=1)].astype(np.int32) + len(upper.vertices)
    return vertices, one, other


def test_the_seam_closes_the_gap() -> None:
    vertices, one, other = halves()
    strip = seam(vertices, one, other, 4.0)
    assert strip is not None
    judge = trimesh.Trimesh(vertices, np.concatenate([one, other, strip]), process=False)  # an independent judge
    judge.remove_unreferenced_vertices()
    assert judge.is_watertight
    assert judge.is_winding_consistent
    assert judge.euler_number == 2
    # Volume of a ball: 4/3 pi r^3; a mesh of chords has a little less.
    assert np.isclose(judge.volume, 4 / 3 * np.pi * 1000, rtol=0.03)


def test_an_opening_that_runs_along_nothing_is_left_alone() -> None:
    vertices, one, other = halves()
    pole = vertices[other].mean(axis=1)[:, 2].argmin()
    strip = seam(vertices, one, np.delete(other, pole, axis=0), 4.0)
    assert strip is not None
    assert np.isin(strip, np.concatenate([one, other])).all()


def test_borders_that_lie_too_far_apart_are_not_sewn() -> None:
    vertices, one, other = halves(gap=9.0)
    assert seam(vertices, one, other, 4.0) is None


def test_a_border_without_a_partner_is_no_seam() -> None:
    vertices, one, other = halves()
    top = vertices[one].mean(axis=1)[:, 2].argmax()
    assert seam(vertices, np.delete(one, top, axis=0), other, 4.0) is None
