"""Distances between a mesh and its contraction, judged by another library."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from meshes import box, icosphere

from pipeline.geometry.contraction import Contraction, nothing_contracted
from pipeline.geometry.lattice import lattice
from pipeline.geometry.two_way import TwoWay
from pipeline.part import Mesh

BALL = Mesh(*icosphere(4, 10.0))


def squeezed(mesh: Mesh, seed: int, share: float = 0.15) -> Contraction:
    """Some vertices drawn into a neighbour, no two of them beside one another."""
    rng = np.random.default_rng(seed)
    into, free = np.arange(len(mesh.vertices)), np.ones(len(mesh.vertices), bool)
    for one, other in mesh.faces[rng.permutation(len(mesh.faces))[: int(share * len(mesh.faces))], :2]:
        ring = mesh.faces[(mesh.faces == one).any(axis=1) | (mesh.faces == other).any(axis=1)]
        if free[ring].all():
            into[one] = other
            free[ring] = False
    return Contraction(mesh, into, mesh.vertices)


def by_trimesh(places: np.ndarray, vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    goal = trimesh.Trimesh(vertices, faces, process=False)
    return np.asarray(trimesh.proximity.closest_point(goal, places)[1])


def test_distances_are_those_of_another_library() -> None:
    found = squeezed(BALL, 1)
    look = TwoWay(BALL).look(found, 0.05)
    after = by_trimesh(look.vertices.places, found.places, found.faces)
    assert look.vertices.distances == pytest.approx(after, abs=1e-6)
    some = np.random.default_rng(0).choice(len(look.after.places), 1_000, replace=False)
    before = by_trimesh(look.after.places[some], BALL.vertices, BALL.faces)
    assert look.after.distances[some] == pytest.approx(before, abs=1e-6)
    at = found.places[found.faces[look.vertices.at]]
    near = trimesh.triangles.closest_point(at, look.vertices.places)
    assert np.linalg.norm(near - look.vertices.places, axis=1) == pytest.approx(look.vertices.distances, abs=1e-6)


def test_the_worst_place_is_found() -> None:
    """Tens of thousands of places at random find nothing much farther off, on the edges or anywhere."""
    found = squeezed(BALL, 2)
    look = TwoWay(BALL).look(found, 0.03)
    after, before = (found.places, found.faces), (BALL.vertices, BALL.faces)
    worst = 0.0
    for one, other in ((after, before), (before, after)):
        anywhere, _ = trimesh.sample.sample_surface(trimesh.Trimesh(*one, process=False), 20_000, seed=5)
        worst = max(worst, float(by_trimesh(anywhere, *other).max()))
    assert look.worst_mm > 0.03
    assert worst <= 1.02 * look.worst_mm


def test_looking_again_finds_what_looking_anew_finds() -> None:
    two_way, found = TwoWay(BALL), squeezed(BALL, 3)
    look = two_way.look(found, 0.05)
    back = found.drawn_into(two_way.beyond(look, found, 0.8 * look.worst_mm))
    assert 0 < back.sum() < 0.5 * len(back)
    mended = found.undone(back)
    again, anew = two_way.again(look, found.faces_in(mended), mended, 0.05), two_way.look(mended, 0.05)
    assert again.vertices.distances == pytest.approx(anew.vertices.distances, abs=1e-9)
    assert again.worst_mm == pytest.approx(anew.worst_mm, rel=1e-6)
    assert again.worst_mm < look.worst_mm
    for distances in (again.after, anew.after):
        assert by_trimesh(distances.places[::50], mended.places, mended.faces) == pytest.approx(0, abs=1e-6)


def test_what_is_beyond_leads_back_to_the_mesh_before() -> None:
    two_way, found = TwoWay(BALL), squeezed(BALL, 4)
    look, tolerance = two_way.look(found, 0.01), 0.01
    for _ in range(20):
        if look.worst_mm <= tolerance:
            break
        mended = found.undone(found.drawn_into(two_way.beyond(look, found, tolerance)))
        found, look = mended, two_way.again(look, found.faces_in(mended), mended, tolerance)
    assert look.worst_mm <= tolerance


def test_nothing_contracted_lies_nowhere_off() -> None:
    look = TwoWay(BALL).look(nothing_contracted(BALL), 0.05)
    assert look.worst_mm == pytest.approx(0, abs=1e-6)
    assert look.mean_mm == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("step", [0.5, 2.0])
def test_a_lattice_covers_faces_and_sides(step: float) -> None:
    vertices, faces = box((9.0, 6.0, 4.0))
    places, of = lattice(vertices, faces, step)
    on = trimesh.triangles.closest_point(vertices[faces[of]], places)
    assert np.abs(on - places).max() < 1e-9
    solid = trimesh.Trimesh(vertices, faces, process=False)
    anywhere, _ = trimesh.sample.sample_surface(solid, 5_000, seed=1)
    apart = np.linalg.norm(anywhere[:, None] - places[None], axis=2).min(axis=1)
    assert apart.max() < 2.5 * step  # an elongated face has elongated parts
    assert len(places) < 3 * solid.area / step**2 + 3 * len(faces)
    along = np.linspace(vertices[faces[0, 0]], vertices[faces[0, 1]], 50)
    assert np.linalg.norm(along[:, None] - places[None], axis=2).min(axis=1).max() <= 0.51 * step


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_sides_at_a_border_are_covered_whichever_way_they_run(order: tuple[int, int, int]) -> None:
    corners = np.array([[0.0, 0, 0], [8, 0, 0], [0, 6, 0]])
    places, _ = lattice(corners, np.array([order], np.int32), 0.5)
    for one, other in ((0, 1), (1, 2), (2, 0)):
        along = np.linspace(corners[one], corners[other], 30)
        assert np.linalg.norm(along[:, None] - places[None], axis=2).min(axis=1).max() <= 0.26
