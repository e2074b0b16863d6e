"""Bores whose middle nobody saw."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from pipeline.geometry.bores import find_bores, with_walls
from pipeline.geometry.closing import closed_surface
from pipeline.geometry.holes import find_holes
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import face_areas, mean_cell
from pipeline.geometry.wall_pieces import Seen
from pipeline.part import BoolArray, ColourArray, FloatArray, Mesh

RADIUS, WALL, HEIGHT, EDGE = 8.0, 6.0, 80.0, 3.0


def tube(height: float = HEIGHT) -> trimesh.Trimesh:
    return trimesh.creation.annulus(RADIUS, RADIUS + WALL, height, sections=48).subdivide_to_size(EDGE)


def unseen(mesh: trimesh.Trimesh, hidden: BoolArray, colours: ColourArray | None = None) -> Mesh:
    used, number = np.unique(mesh.faces[~hidden], return_inverse=True)
    return Mesh(
        np.array(mesh.vertices[used]),
        number.reshape(-1, 3).astype(np.int32),
        colours=None if colours is None else colours[used],
    )


def walled(mesh: Mesh) -> tuple[Mesh, list[float]]:
    """With the walls of its bores, and how deep each bore was not seen."""
    around = Incidence(mesh.faces, len(mesh.vertices))
    made, bores = with_walls(
        Seen(mesh), find_bores(mesh, find_holes(mesh, around), around), mean_cell(mesh.vertices, mesh.faces)
    )
    return made.mesh, [bore.depth_mm for bore in bores]


def inside(middles: FloatArray) -> BoolArray:
    """Faces of the tube's bore."""
    within: BoolArray = np.linalg.norm(middles[:, :2], axis=1) < RADIUS + 0.3
    return within


@pytest.mark.parametrize("slant", [0.0, 0.8])
def test_a_deep_bore_is_not_made_solid(slant: float) -> None:
    """Each side looks about two diameters in, deeper on one side than on the other; 40 mm between them nobody saw."""
    whole = tube()
    middle = whole.triangles_center
    teeth = 1.5 * np.sin(9 * np.arctan2(middle[:, 1], middle[:, 0]))
    between = (middle[:, 2] > slant * middle[:, 0] + teeth - 20) & (middle[:, 2] < slant * middle[:, 1] + teeth + 20)
    red = np.full((len(whole.vertices), 3), (200, 40, 40), np.uint8)
    mesh, depths = walled(unseen(whole, inside(middle) & between, red))
    assert depths == [pytest.approx(40, abs=6)]
    closed = closed_surface(Seen(mesh))
    assert closed is not None
    judge = trimesh.Trimesh(closed.vertices, closed.faces, process=False)  # an independent judge
    assert judge.is_watertight
    assert judge.euler_number == 0  # a ring: the bore is open from end to end
    # Volume of a hollow cylinder: pi (R^2 - r^2) h.
    assert judge.volume == pytest.approx(np.pi * ((RADIUS + WALL) ** 2 - RADIUS**2) * HEIGHT, rel=0.01)
    guessed = closed.vertices[closed.faces[closed.filled]].mean(axis=1)
    assert np.abs(np.linalg.norm(guessed[:, :2], axis=1) - RADIUS).max() < 0.5
    area = face_areas(closed.vertices, closed.faces[closed.filled]).sum()
    assert 2 * np.pi * RADIUS * (40 - 2 * EDGE) < area < 2 * np.pi * RADIUS * (40 + 2 * EDGE)
    assert closed.colours is not None
    assert (np.abs(closed.colours.astype(int) - (200, 40, 40)) <= 1).all()


def test_a_square_bore_keeps_its_corners() -> None:
    whole = trimesh.boolean.difference(
        [trimesh.creation.box((30, 30, 60)), trimesh.creation.box((12, 12, 80))], engine="manifold"
    ).subdivide_to_size(2.0)
    middle = whole.triangles_center
    hidden = (np.abs(middle[:, :2]).max(axis=1) < 6.1) & (np.abs(middle[:, 2]) < 18)
    mesh, depths = walled(unseen(whole, hidden))
    assert len(depths) == 1
    corner = np.abs(mesh.vertices[mesh.faces[mesh.filled]].reshape(-1, 3)[:, :2]).max(axis=1)
    assert corner.max() < 6.01
    assert corner.min() > 5.5  # straight lines between rays a cell apart cut a corner by a part of a cell


def test_what_was_seen_of_the_middle_stays() -> None:
    """Through a window in the wall a piece of the other side was seen."""
    whole = tube()
    middle = whole.triangles_center
    piece = (middle[:, 0] > RADIUS - 1) & (np.abs(middle[:, 2]) < 6)
    mesh = unseen(whole, inside(middle) & (np.abs(middle[:, 2]) < 20) & ~piece)
    made, depths = walled(mesh)
    assert depths == [pytest.approx(40, abs=4)]
    wall = made.vertices[made.faces[made.filled]].mean(axis=1)
    seen = middle[inside(middle) & piece]
    assert cKDTree(seen).query(wall)[0].min() > 0.5 * mean_cell(mesh.vertices, mesh.faces)
    closed = closed_surface(Seen(made))
    assert closed is not None
    judge = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
    assert judge.is_watertight
    assert judge.euler_number == 0
    assert not closed.filled[cKDTree(closed.vertices[closed.faces].mean(axis=1)).query(seen)[1]].all()


def test_a_bore_seen_from_one_end_only_goes_on_to_the_edge_of_the_other() -> None:
    whole = tube(40.0)
    middle = whole.triangles_center
    _, depths = walled(unseen(whole, inside(middle) & (middle[:, 2] < 5)))
    assert depths == [pytest.approx(25, abs=2)]


def test_two_places_without_data_across_from_one_another_are_no_bore() -> None:
    block = trimesh.creation.box((40, 40, 20)).subdivide_to_size(1.5)
    middle = block.triangles_center
    spots = (np.linalg.norm(middle[:, :2], axis=1) < 6) & (np.abs(middle[:, 2]) > 9.9)
    assert walled(unseen(block, spots))[1] == []


@pytest.mark.parametrize(
    "profile", [[(12, -40), (6, 40)], [(11, -40), (11, 0), (6, 0), (6, 40)]], ids=["taper", "step"]
)
def test_a_tapered_or_stepped_bore_is_not_made_solid(profile: list[tuple[float, float]]) -> None:
    """It was shut between its two ends: a fifth too much volume."""
    outline = np.array([(16, 40), (16, -40), *profile, (16, 40)], float)
    solid = trimesh.creation.revolve(outline[::-1], sections=64)
    whole = solid.subdivide_to_size(EDGE)
    middle = whole.triangles_center
    between = (np.abs(middle[:, 2]) < 22) & (np.linalg.norm(middle[:, :2], axis=1) < 13)
    mesh, depths = walled(unseen(whole, between))
    assert depths == [pytest.approx(44, abs=4)]
    closed = closed_surface(Seen(mesh))
    assert closed is not None
    judge = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
    assert judge.is_watertight
    assert judge.euler_number == 0
    assert judge.volume == pytest.approx(solid.volume, rel=0.04)  # where the step lies nobody saw


@pytest.mark.parametrize("change", ["narrower", "aside", "askew"])
def test_two_blind_holes_that_do_not_fit_are_no_bore(change: str) -> None:
    drill = [trimesh.creation.cylinder(6.0, 24.0, sections=64) for _ in range(2)]
    if change == "narrower":
        drill[1] = trimesh.creation.cylinder(2.0, 24.0, sections=64)
    drill[0].apply_translation((0, 0, 22))
    drill[1].apply_translation((4 if change == "aside" else 0, 0, -22))
    if change == "askew":
        drill[1].apply_transform(trimesh.transformations.rotation_matrix(np.radians(40), (0, 1, 0), (0, 0, -22)))
    block = trimesh.creation.box((40, 40, 44))
    whole = trimesh.boolean.difference([block, *drill], engine="manifold").subdivide_to_size(1.5)
    middle = whole.triangles_center
    mesh = unseen(whole, (np.abs(middle[:, 2]) < 13) & (np.abs(middle[:, :2]).max(axis=1) < 19.9))
    around = Incidence(mesh.faces, len(mesh.vertices))
    assert len(find_holes(mesh, around)) == 2
    assert walled(mesh)[1] == []
