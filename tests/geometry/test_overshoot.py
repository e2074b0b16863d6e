"""No vertex goes past the edge that the points of the other face tell, nor past the last point."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.neighbours import columns
from pipeline.geometry.overshoot import drawn_back


def plane(first: np.ndarray, second: np.ndarray, normal: tuple[float, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """(m, 3) points over two lists of coordinates on the two axes that the normal leaves, and their normals."""
    axes = [axis for axis in range(3) if normal[axis] == 0]
    points = np.zeros((len(first) * len(second), 3))
    points[:, axes[0]], points[:, axes[1]] = (grid.ravel() for grid in np.meshgrid(first, second))
    return points, np.tile(np.array(normal), (len(points), 1))


def moved(vertices: list[list[float]], *faces: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    points, normals = (np.concatenate(parts) for parts in zip(*faces, strict=True))
    around = np.tile(np.arange(len(points), dtype=np.int32), (len(vertices), 1))
    up = np.tile([0.0, 0, 1], (len(vertices), 1))
    back = drawn_back(columns(np.array(vertices)), columns(up), columns(points), columns(normals), around, 1.0)
    return back.T


FLOOR = plane(np.arange(-2.0, -0.2, 0.3), np.arange(-1.0, 1.1, 0.3), (0, 0, 1))
"""z = 0, dense, ends at x = -0.5; its edge lies at x = 0."""


@pytest.mark.parametrize("height", [-0.6, 0.6], ids=["convex", "concave"])
def test_one_point_of_the_other_face_tells_where_the_edge_is(height: float) -> None:
    facing = 1.0 if height < 0 else -1.0
    wall = plane(np.array([0.1]), np.array([height]), (facing, 0, 0))
    back = moved([[0.7, 0, 0], [0.3, 0.4, 0]], FLOOR, wall)
    assert np.abs(back[:, 0]).max() < 0.1
    assert np.abs(back[:, 2]).max() < 1e-5


def test_what_no_point_contradicts_stays() -> None:
    wall = plane(np.array([0.1]), np.array([-0.6]), (1, 0, 0))
    inside = [[-0.9, 0.1, 0], [-1.2, -0.2, 0]]
    assert moved(inside, FLOOR, wall) == pytest.approx(np.array(inside), abs=1e-6)


def test_a_face_ends_at_its_last_point() -> None:
    assert moved([[0.2, 0, 0]], FLOOR)[0] == pytest.approx([FLOOR[0][:, 0].max(), 0, 0], abs=0.1)
