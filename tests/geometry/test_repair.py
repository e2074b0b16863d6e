"""What is mended is whole again, and nothing else has changed."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from meshes import box, icosphere

from pipeline.geometry import repair
from pipeline.geometry.measure import area, volume
from pipeline.geometry.self_intersection import crossed_faces
from pipeline.geometry.topology import inspect_mesh
from pipeline.part import Mesh


def test_crumbs_go_and_a_small_part_stays() -> None:
    ball, crumb = trimesh.creation.icosphere(subdivisions=1), trimesh.creation.icosahedron().faces[:3]
    vertices = np.vstack([ball.vertices, 9 + trimesh.creation.icosahedron().vertices])
    mesh = Mesh(vertices, np.vstack([ball.faces, len(ball.vertices) + crumb]).astype(np.int32))
    assert len(repair.without_crumbs(mesh).faces) == len(ball.faces)
    few = Mesh(vertices, np.asarray(ball.faces[:5], np.int32))
    assert len(repair.without_crumbs(few).faces) == 5


@pytest.mark.parametrize("share", [0.05, 0.3, 0.5, 1.0])
def test_turned_faces_are_turned_back(share: float) -> None:
    vertices, faces = icosphere(3)
    turned = faces.copy()
    which = np.random.default_rng(3).random(len(faces)) < share
    turned[which] = turned[which][:, ::-1]
    mended = repair.oriented(Mesh(vertices, turned))
    assert inspect_mesh(mended).watertight
    assert volume(mended.vertices, mended.faces) == pytest.approx(volume(vertices, faces))


def test_cavity_keeps_looking_inwards() -> None:
    vertices, faces = icosphere(2)
    both = Mesh(np.vstack([vertices, vertices / 2]), np.vstack([faces[:, ::-1], faces[:, ::-1] + len(vertices)]))
    mended = repair.oriented(both)
    assert inspect_mesh(mended).watertight
    assert volume(mended.vertices, mended.faces) == pytest.approx(7 / 8 * volume(vertices, faces))


def test_doubled_faces_go_and_their_flags_with_them() -> None:
    vertices, faces = icosphere(2)
    extra = np.vstack([faces, faces[3:5], faces[10:12, ::-1]])
    filled = np.zeros(len(extra), bool)
    filled[:20] = True
    mended = repair.without_duplicates(Mesh(vertices, extra, filled))
    assert inspect_mesh(mended).watertight
    assert mended.filled.sum() == 20


def test_pocket_without_volume_goes_altogether() -> None:
    vertices, faces = icosphere(2)
    flap = np.vstack([vertices, [[90, 0, 0], [91, 0, 0], [90, 1, 0]]])
    corner = len(vertices)
    extra = np.vstack([faces, [[corner, corner + 1, corner + 2]], [[corner, corner + 2, corner + 1]]])
    mended = repair.without_duplicates(Mesh(flap, extra))
    assert (len(mended.faces), len(mended.vertices)) == (len(faces), len(vertices))


def test_needles_and_caps_go_and_the_surface_stays_closed() -> None:
    vertices, faces = icosphere(3)
    needle, cap = vertices.copy(), vertices.copy()
    needle[faces[40, 0]] = needle[faces[40, 1]]
    cap[faces[40, 0]] = cap[faces[40, 1:]].mean(axis=0)
    for broken, lost in ((needle, 2), (cap, 0)):
        mended = repair.without_degenerates(Mesh(broken, faces))
        assert inspect_mesh(mended).watertight
        assert len(faces) - len(mended.faces) == lost
        assert area(mended.vertices, mended.faces) == pytest.approx(area(broken, faces), rel=1e-3)


def test_pieces_that_touch_in_a_point_are_parted_without_moving() -> None:
    vertices, faces = icosphere(2)
    right, left = int(vertices[:, 0].argmax()), int(vertices[:, 0].argmin())
    both = np.vstack([vertices, vertices + vertices[right] - vertices[left]])
    joined = np.vstack([faces, faces + len(vertices)])
    joined[joined == left + len(vertices)] = right
    colours = np.tile(np.arange(len(both), dtype=np.uint8)[:, None], 3)
    mended = repair.with_fans_split(Mesh(both, joined, colours=colours))
    assert inspect_mesh(mended).watertight
    assert np.array_equal(mended.vertices[mended.faces], both[joined])
    assert mended.colours is not None
    assert len(mended.colours) == len(both) + 1


def test_fans_that_a_cut_leaves_are_parted_by_a_look_at_the_border_alone() -> None:
    vertices, faces = icosphere(3)
    vertex = int(vertices[:, 2].argmax())
    at = np.flatnonzero((faces == vertex).any(axis=1))
    drop = np.zeros(len(faces), bool)
    drop[at[0]] = True
    opposite = [f for f in at if len(np.intersect1d(faces[f], faces[at[0]])) == 1]
    drop[opposite[0]] = True
    cut = Mesh(vertices, faces[~drop])
    assert inspect_mesh(cut).nonmanifold_vertices == 1
    whole, border = repair.with_fans_split(cut), repair.with_fans_split(cut, only_at_borders=True)
    assert inspect_mesh(border).nonmanifold_vertices == 0
    assert np.array_equal(whole.vertices, border.vertices)
    assert np.array_equal(whole.faces, border.faces)


def test_sheets_that_touch_along_an_edge_are_two_by_their_places_too() -> None:
    """What STL keeps of a mesh are places: two boxes with a common edge were one, closed by no definition."""
    vertices, faces = box((10, 10, 10))
    both = np.vstack([vertices, vertices + (10, 10, 0)])
    joined = np.vstack([faces, faces + len(vertices)])
    place = np.unique(both, axis=0, return_inverse=True)[1].reshape(-1)
    assert inspect_mesh(Mesh(both, place[joined].astype(np.int32))).nonmanifold_edges > 0
    apart = repair.drawn_apart(both, joined, place)
    assert len(np.unique(apart.astype(np.float32), axis=0)) == len(both)
    moved = np.linalg.norm(apart - both, axis=1)
    assert moved.max() < 0.05
    assert np.count_nonzero(moved) == 4
    assert not crossed_faces(apart, joined, np.ones(len(joined), bool)).any()
