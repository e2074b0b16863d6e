"""Two meshes sewn together along a gap."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import trimesh
from hypothesis import given
from hypothesis import strategies as st

from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.seam import _shortest, seam
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
    assert strip.open_share == 0
    judge = trimesh.Trimesh(vertices, np.concatenate([one, other, strip.faces]), process=False)  # an independent judge
    judge.remove_unreferenced_vertices()
    assert judge.is_watertight
    assert judge.is_winding_consistent
    assert judge.euler_number == 2
    # Volume of a ball: 4/3 pi r^3; a mesh of chords has a little less.
    assert np.isclose(judge.volume, 4 / 3 * np.pi * 1000, rtol=0.03)


@given(st.integers(3, 7), st.integers(3, 7), st.integers(0, 10_000))
def test_no_strip_between_two_loops_is_shorter(n: int, m: int, seed: int) -> None:
    """Every way through the table is tried: so many as there are orders of the steps along the one and the other."""
    rng = np.random.default_rng(seed)
    one, other = rng.normal(size=(n, 3)), rng.normal(size=(m, 3))

    def cost(steps: np.ndarray) -> float:
        return float(((one[np.cumsum(steps)] - other[np.cumsum(~steps)]) ** 2).sum())

    ways = []
    for along_one in combinations(range(n + m - 2), n - 1):
        steps = np.zeros(n + m - 2, bool)
        steps[list(along_one)] = True
        ways.append(cost(steps))
    found = _shortest(one, other)
    assert found.sum() == n - 1
    assert np.isclose(cost(found), min(ways))


def test_an_opening_that_runs_along_nothing_is_left_alone() -> None:
    vertices, one, other = halves()
    pole = vertices[other].mean(axis=1)[:, 2].argmin()
    strip = seam(vertices, one, np.delete(other, pole, axis=0), 4.0)
    assert strip.open_share == 0
    assert np.isin(strip.faces, np.concatenate([one, other])).all()


def test_borders_that_lie_too_far_apart_are_not_sewn() -> None:
    vertices, one, other = halves(gap=9.0)
    strip = seam(vertices, one, other, 4.0)
    assert strip.open_share == 1
    assert len(strip.faces) == 0


def test_one_wide_place_stays_open_and_the_rest_is_sewn() -> None:
    """A bay in the border: where it is too wide for the strip a hole is left, and nothing else."""
    vertices, one, other = halves()
    bay = np.linalg.norm(vertices[one].mean(axis=1) - (10, 0, 0), axis=1) < 5
    strip = seam(vertices, one[~bay], other, 3.0)
    assert 0 < strip.open_share < 0.3
    judge = trimesh.Trimesh(vertices, np.concatenate([one[~bay], other, strip.faces]), process=False)
    judge.remove_unreferenced_vertices()
    assert judge.is_winding_consistent
    assert len(boundary_loops(np.asarray(judge.faces, np.int32))) == 1


def test_a_border_without_a_partner_is_left_open_and_counted() -> None:
    vertices, one, other = halves()
    top = vertices[one].mean(axis=1)[:, 2].argmax()
    whole, strip = seam(vertices, one, other, 4.0), seam(vertices, np.delete(one, top, axis=0), other, 4.0)
    assert np.array_equal(strip.faces, whole.faces)
    assert np.isclose(strip.open_share, 3 / (3 + len(whole.faces)))
