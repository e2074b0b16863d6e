"""A closed surface through an open one."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from pipeline.geometry import closing, guess
from pipeline.geometry.closing import closed_surface
from pipeline.geometry.measure import face_areas
from pipeline.geometry.repair import used_only
from pipeline.geometry.wall_pieces import Seen
from pipeline.part import Mesh


def tube(radius: float = 12.0, wall: float = 4.0, height: float = 40.0) -> trimesh.Trimesh:
    return trimesh.creation.annulus(radius, radius + wall, height, sections=64).subdivide_to_size(4.0)


def without(mesh: trimesh.Trimesh, drop: np.ndarray) -> Mesh:
    return Mesh(mesh.vertices, mesh.faces[~drop])


def test_a_bore_whose_middle_was_not_seen_goes_on_between_its_rims() -> None:
    """Two facing rims have no patch of their own; capping them would shut the bore."""
    whole = tube()
    middle = whole.triangles_center
    inner = np.linalg.norm(middle[:, :2], axis=1) < 12.5
    mesh = without(whole, inner & (np.abs(middle[:, 2]) < 4))
    closed = closed_surface(Seen(mesh))
    assert closed is not None
    judge = trimesh.Trimesh(closed.vertices, closed.faces, process=False)  # an independent judge
    assert judge.is_watertight
    assert judge.euler_number == 0  # a ring: the bore is open from end to end
    # Volume of a hollow cylinder: pi (R^2 - r^2) h.
    assert np.isclose(judge.volume, np.pi * (16**2 - 12**2) * 40, rtol=0.04)
    filled = closed.vertices[closed.faces[closed.filled]].mean(axis=1)
    assert closed.filled.any()
    assert (np.abs(filled[:, 2]) < 8).all()
    assert (np.linalg.norm(filled[:, :2], axis=1) < 13).mean() > 0.9


def test_what_is_there_stays_where_it_is() -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30)
    open_ball = without(ball, ball.triangles_center[:, 2] > 24)
    closed = closed_surface(Seen(open_ball))
    assert closed is not None
    assert trimesh.Trimesh(closed.vertices, closed.faces, process=False).is_watertight
    measured = closed.vertices[closed.faces[~closed.filled]].reshape(-1, 3)
    assert np.abs(np.linalg.norm(measured, axis=1) - 30).max() < 0.25  # a tenth of an edge, at the rim
    areas = face_areas(closed.vertices, closed.faces)
    share = areas[closed.filled].sum() / areas.sum()
    assert 0.06 < share < 0.12  # a cap of 24/30 of the radius has a tenth of the sphere's area


def test_a_crumb_that_a_seam_left_over_does_not_become_a_bubble() -> None:
    """Two faces back to back are closed, have no volume, and keep every decimation from the topology it must keep."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=30)
    crumb = np.array([[40.0, 0, 0], [41.0, 0, 0], [40.0, 1, 0]])
    faces = np.vstack([ball.faces, len(ball.vertices) + np.arange(3)])
    closed = closing._patched(Mesh(np.vstack([ball.vertices, crumb]), faces.astype(np.int32)))
    assert closed is not None
    assert len(closed.faces) == len(ball.faces)


def test_only_what_lies_about_an_opening_is_made_anew() -> None:
    """Edges and corners far from an unmeasured bore stay vertex by vertex: an implicit surface would round them."""
    whole = trimesh.creation.annulus(12, 16, 60, sections=128).subdivide_to_size(1.5)
    inner = np.linalg.norm(whole.triangles_center[:, :2], axis=1) < 12.5
    mesh = without(whole, inner & (np.abs(whole.triangles_center[:, 2]) < 4))
    closed = closed_surface(Seen(mesh))
    assert closed is not None
    assert trimesh.Trimesh(closed.vertices, closed.faces, process=False).is_watertight
    ends = whole.vertices[np.abs(whole.vertices[:, 2]) > 20]
    distance, _ = cKDTree(closed.vertices).query(ends)
    assert distance.max() < 1e-9


def test_the_same_surface_gives_the_same_bytes() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=30)
    mesh = without(ball, ball.triangles_center[:, 2] > 20)
    one, other = closed_surface(Seen(mesh)), closed_surface(Seen(mesh))
    assert one is not None
    assert other is not None
    assert one.vertices.tobytes() == other.vertices.tobytes()
    assert one.faces.tobytes() == other.faces.tobytes()


def test_few_faces_of_a_seam_that_cross_others_are_patched(monkeypatch: pytest.MonkeyPatch) -> None:
    """A seam of thousands of faces is not given up, and more of the surface made anew, for one bad place."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=30)
    height = ball.triangles_center[:, 2]
    rest, here = without(ball, height > 10.5), without(ball, height < 11.5)
    found = closing.crossed_faces
    asked: list[int] = []

    def crossed(vertices: np.ndarray, faces: np.ndarray, among: np.ndarray) -> np.ndarray:
        result = found(vertices, faces, among)
        if not asked:
            result[len(rest.faces) + len(here.faces)] = True
        asked.append(int(result.sum()))
        return result

    monkeypatch.setattr(closing, "crossed_faces", crossed)
    closed = closing._sewn(used_only(rest), used_only(here), 1.0)
    assert closed is not None
    judge = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
    assert judge.is_watertight
    assert np.isclose(judge.volume, ball.volume, rtol=2e-3)
    assert not found(closed.vertices, closed.faces, np.ones(len(closed.faces), bool)).any()


def test_a_seam_that_crosses_others_along_its_way_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=30)
    height = ball.triangles_center[:, 2]
    monkeypatch.setattr(closing, "crossed_faces", lambda vertices, faces, among: among)
    rest, here = without(ball, height > 10.5), without(ball, height < 11.5)
    assert closing._sewn(used_only(rest), used_only(here), 1.0) is None


def test_an_implicit_surface_that_is_not_closed_in_one_grid_is_asked_in_another(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ball = trimesh.creation.icosphere(3, 20.0)
    made, grids = guess._implicit, []

    def torn_at_first(*arguments: float) -> tuple[np.ndarray, np.ndarray]:
        vertices, faces = made(*arguments)  # type: ignore[arg-type]
        grids.append(arguments[-1])
        return vertices, faces[1:] if len(grids) == 1 else faces

    monkeypatch.setattr(guess, "_implicit", torn_at_first)
    closed = guess.closed_guess(without(ball, ball.triangles_center[:, 2] > 17), 3.0)
    assert closed is not None
    assert trimesh.Trimesh(closed.vertices, closed.faces, process=False).is_watertight
    assert grids == pytest.approx([3.0, 2.7])


def test_an_implicit_surface_that_touches_itself_tells_as_well_how_openings_go_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Then the whole part fell to that surface, which rounds all its edges, for two edges that had four faces."""
    whole = trimesh.creation.annulus(12, 16, 60, sections=128).subdivide_to_size(1.5)
    inner = np.linalg.norm(whole.triangles_center[:, :2], axis=1) < 12.5
    mesh = without(whole, inner & (np.abs(whole.triangles_center[:, 2]) < 4))
    made = guess._implicit

    def touching_itself(*arguments: float) -> tuple[np.ndarray, np.ndarray]:
        vertices, faces = made(*arguments)  # type: ignore[arg-type]
        at = np.linalg.norm(vertices[faces].mean(axis=1) - (14, 0, 30), axis=1).argmin()
        return vertices, np.vstack([faces, faces[at], faces[at, ::-1]])

    monkeypatch.setattr(guess, "_implicit", touching_itself)
    closed = closed_surface(Seen(mesh))
    assert closed is not None
    assert trimesh.Trimesh(closed.vertices, closed.faces, process=False).is_watertight
    ends = whole.vertices[np.abs(whole.vertices[:, 2]) > 20]
    assert cKDTree(closed.vertices).query(ends)[0].max() < 1e-9


def test_where_there_is_no_implicit_surface_nothing_is_called_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A mesh without faces has no open edge either."""
    ball = trimesh.creation.icosphere(3, 20.0)
    monkeypatch.setattr(guess, "_implicit", lambda *arguments: (np.zeros((0, 3)), np.zeros((0, 3), np.int32)))
    assert closed_surface(Seen(without(ball, ball.triangles_center[:, 2] > 17))) is None
