"""Guesses that go on where a round wall was seen in part."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from meshes import box

from pipeline.geometry.closing import closed_surface
from pipeline.geometry.cloud import unit
from pipeline.geometry.measure import face_vectors, mean_cell
from pipeline.geometry.round_walls import Wall, on_round_walls, round_walls
from pipeline.geometry.wall_pieces import Seen
from pipeline.part import Mesh
from pipeline.simulate.solids import mesh_of, rod, rounded_plate, truth_of

RADIUS, OUTER, HEIGHT = 12.0, 18.0, 60.0


def walls_of(mesh: Mesh) -> list[Wall]:
    places = mesh.vertices[mesh.faces].mean(axis=1)
    rng = np.random.default_rng(0)
    cell = mean_cell(mesh.vertices, mesh.faces)
    return round_walls(places, unit(face_vectors(mesh.vertices, mesh.faces)), cell, rng)[0]


def pipe() -> Mesh:
    solid = rod((0, 0, -HEIGHT / 2), (0, 0, HEIGHT / 2), OUTER) - rod((0, 0, -HEIGHT), (0, 0, HEIGHT), RADIUS)
    return mesh_of(solid.refine_to_length(1.5))


def test_a_bore_seen_in_part_has_no_waist() -> None:
    """Of the middle of a pipe's bore a strip was seen: the implicit surface draws in, the wall does not."""
    whole = pipe()
    middle = whole.vertices[whole.faces].mean(axis=1)
    bore = np.linalg.norm(middle[:, :2], axis=1) < RADIUS + 0.3
    strip = np.abs(np.arctan2(middle[:, 1], middle[:, 0])) < 0.5 + 0.1 * np.sin(middle[:, 2])
    rough = whole.vertices + np.random.default_rng(1).normal(0, 0.02, whole.vertices.shape)
    closed = closed_surface(Seen(Mesh(rough, whole.faces[~(bore & (np.abs(middle[:, 2]) < 6) & ~strip)])))
    assert closed is not None
    judge = trimesh.Trimesh(closed.vertices, closed.faces, process=False)  # an independent judge
    assert judge.is_watertight
    # Volume of a hollow cylinder: pi (R^2 - r^2) h.
    assert judge.volume == pytest.approx(np.pi * (OUTER**2 - RADIUS**2) * HEIGHT, rel=0.001)
    filled = closed.vertices[closed.faces[closed.filled]].mean(axis=1)
    assert np.abs(np.linalg.norm(filled[:, :2], axis=1) - RADIUS).max() < 0.15


def test_the_walls_of_a_pipe_are_told_with_their_radii_and_the_way_they_face() -> None:
    bore, shaft = sorted(walls_of(pipe()), key=lambda wall: wall.shape.radius)
    assert (shaft.faces, bore.faces) == (1, -1)
    assert shaft.shape.radius == pytest.approx(OUTER, rel=1e-3)
    assert bore.shape.radius == pytest.approx(RADIUS, rel=1e-3)
    for wall in (shaft, bore):
        assert abs(wall.shape.axis[2]) == pytest.approx(1, abs=1e-4)
        assert np.linalg.norm(wall.shape.centre[:2]) < 0.02


def test_flat_faces_rounded_corners_and_balls_are_no_round_walls() -> None:
    """A quarter of a cylinder is the fillet of an edge, and says nothing of what goes on past it."""
    bar = truth_of(rounded_plate(50, 40, 50, 8))
    ball = trimesh.creation.icosphere(subdivisions=4, radius=20)
    for vertices, faces in (box((60, 40, 20), level=4), (bar.vertices, bar.faces), (ball.vertices, ball.faces)):
        assert walls_of(Mesh(np.array(vertices), np.array(faces, np.int32))) == []


def test_a_guess_that_is_no_wall_stays() -> None:
    """The floor of a blind bore stands square to its wall; a wall far within it is another one's."""
    whole = pipe()
    floor = trimesh.creation.cylinder(RADIUS - 0.5, 0.5).subdivide_to_size(1.5)
    within = trimesh.creation.annulus(0.4 * RADIUS, 0.5 * RADIUS, HEIGHT).subdivide_to_size(2)
    for guess, stays in ((floor, np.abs(floor.vertex_normals[:, 2]) > 0.9), (within, slice(None))):
        given = Mesh(np.array(guess.vertices), np.array(guess.faces, np.int32))
        moved = on_round_walls(given, whole, mean_cell(whole.vertices, whole.faces))
        assert np.array_equal(moved.vertices[stays], given.vertices[stays])


def test_of_two_walls_a_guess_goes_on_the_one_that_was_seen_beside_it() -> None:
    """In the narrow half of a stepped bore the guess goes to the narrow wall, however near it comes to the wide one."""
    steps = rod((0, 0, -HEIGHT), (0, 0, 0), RADIUS) + rod((0, 0, -1), (0, 0, HEIGHT), 0.75 * RADIUS)
    whole = mesh_of((rod((0, 0, -HEIGHT / 2), (0, 0, HEIGHT / 2), OUTER) - steps).refine_to_length(1.5))
    band = trimesh.creation.cylinder(0.9 * RADIUS, 6, sections=64)
    sides = np.abs(band.face_normals[:, 2]) < 0.1
    guess = Mesh(np.array(band.vertices) + [0, 0, 5], np.array(band.faces[sides][:, ::-1], np.int32))
    moved = on_round_walls(guess, whole, mean_cell(whole.vertices, whole.faces))
    used = np.unique(moved.faces)
    assert np.linalg.norm(moved.vertices[used, :2], axis=1) == pytest.approx(0.75 * RADIUS, abs=0.05)
