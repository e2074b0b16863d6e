"""From oriented points to a mesh: topology, support, and what must not appear."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import trimesh

from pipeline.geometry.contour import contour
from pipeline.geometry.reconstruct import distance_field
from pipeline.geometry.sparse_grid import STEP, Field, found, merged, packed, unpacked
from pipeline.geometry.tidy import tidied
from pipeline.geometry.topology import inspect


def triangles(quads: np.ndarray) -> np.ndarray:
    return np.concatenate([quads[:, (0, 1, 2)], quads[:, (0, 2, 3)]])


def grid_field(function, size: int) -> Field:
    nodes = np.array(list(product(range(size), repeat=3)))
    order = np.argsort(packed(nodes))
    return Field(1.0, np.zeros(3), packed(nodes)[order], function(nodes[order].astype(float)))


def test_keys_and_nodes_are_the_same_thing():
    nodes = np.random.default_rng(0).integers(-500_000, 500_000, (200, 3))
    keys = packed(nodes)
    assert (unpacked(keys) == nodes).all()
    assert (unpacked(keys + STEP[1]) == nodes + [0, 1, 0]).all()
    every = merged([keys, keys[:50]])
    assert len(every) == len(np.unique(keys))
    assert (found(every, keys) >= 0).all()
    assert found(every, keys[:1] + STEP[0] * 3_000_00)[0] == -1


@pytest.mark.parametrize("seed", range(12))
def test_any_field_at_all_gives_a_closed_oriented_surface(seed):
    """Random values: every ambiguous cell there is. Closed inside the grid because its rim is outside."""
    size = 9

    def noise(nodes):
        value = np.random.default_rng(seed).normal(size=len(nodes))
        rim = (nodes == 0).any(axis=1) | (nodes == size - 1).any(axis=1)
        return np.where(rim, 1.0, value)

    vertices, quads, _ = contour(grid_field(noise, size))
    report = inspect(vertices, triangles(quads))
    assert report.boundary_edges == 0
    assert report.misoriented_edges == 0
    # Two sheets may meet in an edge where two ambiguous cells adjoin; tidied takes those faces out.
    tidy = tidied(vertices, triangles(quads), 1)
    assert inspect(vertices[tidy.source], tidy.faces).manifold


def test_a_ball_is_closed_outward_and_in_place():
    def ball(nodes):
        return np.linalg.norm(nodes - 10.3, axis=1) - 7.7

    vertices, quads, middles = contour(grid_field(ball, 22))
    report = inspect(vertices, triangles(quads))
    assert report.watertight
    assert report.euler_characteristic == 2
    assert np.abs(np.linalg.norm(vertices - 10.3, axis=1) - 7.7).max() < 0.1
    assert np.abs(vertices - middles).max() <= 0.5 + 1e-9
    volume = trimesh.Trimesh(vertices, triangles(quads), process=False).volume
    assert volume == pytest.approx(4 / 3 * np.pi * 7.7**3, rel=0.02)


def test_no_field_where_no_point_is():
    rng = np.random.default_rng(0)
    flat = np.column_stack([rng.uniform(0, 20, (4_000, 2)), np.zeros(4_000)])
    points = flat[np.hypot(flat[:, 0] - 10, flat[:, 1] - 10) > 5]  # a hole in the middle
    field = distance_field(points, np.tile([0, 0, 1.0], (len(points), 1)), 0.7)
    vertices, quads, _ = contour(field)
    assert np.hypot(vertices[:, 0] - 10, vertices[:, 1] - 10).min() > 5 - 2 * 0.7 * np.sqrt(2)
    assert np.abs(vertices[:, 2]).max() < 1e-6
    assert inspect(vertices, triangles(quads)).loops_count == 2


def test_a_wall_of_two_cells_has_two_faces():
    rng = np.random.default_rng(0)
    flat = rng.uniform(0, 20, (12_000, 2))
    side = np.arange(len(flat)) % 2
    points = np.column_stack([flat, 1.0 * side])
    normals = np.column_stack([np.zeros((len(flat), 2)), 2.0 * side - 1])
    turn = trimesh.transformations.rotation_matrix(0.6, (1, 2, 0.5))[:3, :3]
    vertices, quads, _ = contour(distance_field(points @ turn.T, normals @ turn.T, 0.5))
    height = (vertices @ turn)[:, 2]
    assert np.minimum(np.abs(height), np.abs(height - 1)).max() < 0.15
    assert len(inspect(vertices, triangles(quads)).components) == 2


def test_tidy_drops_what_is_not_manifold_and_says_how_much():
    box = trimesh.creation.box((4, 4, 4)).subdivide()
    fin = np.array([[*box.edges_unique[0], len(box.vertices)]])
    crumb = len(box.vertices) + np.array([[1, 2, 3]])
    vertices = np.vstack([box.vertices, [[9, 9, 9], [20, 0, 0], [21, 0, 0], [20, 1, 0]]])
    tidy = tidied(vertices, np.vstack([box.faces, box.faces[:1], fin, crumb]).astype(np.int32), 4)
    report = inspect(vertices[tidy.source], tidy.faces)
    assert report.manifold
    assert tidy.pieces_removed_count == 1
    assert tidy.loops_count == report.loops_count
    assert len(tidy.faces) < len(box.faces)  # the two faces at the fin went with it
