"""Topology counted on public meshes whose counts are known, and on meshes broken on purpose."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from meshes import box, cgal_meshes, icosphere, pipe, prism, read_obj, read_off, read_stl, sample_meshes, torus

from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.measure import corner_angles, face_volumes
from pipeline.geometry.topology import inspect, winding_number


@pytest.fixture(scope="module")
def cgal(debian_package: Callable[[str], Path]) -> Path:
    return cgal_meshes(debian_package("libcgal-demo"))


@pytest.mark.parametrize(
    ("name", "faces", "chi"),
    [("bunny.obj", 56172, 2), ("cow.obj", 5804, 2), ("airplane.obj", 10796, 2)],
)  # T1, T3: pymeshlab's sample meshes, counted with pymeshlab; vertices that no face uses do not count
def test_closed_sample_meshes(name: str, faces: int, chi: int) -> None:
    report = inspect(*read_obj(sample_meshes() / name))
    assert (report.faces, report.euler_characteristic, report.loops_count) == (faces, chi, 0)
    assert report.watertight
    if name == "bunny.obj":  # T1
        assert report.vertices == 28088
        assert report.components[0].volume == pytest.approx(0.0485528, abs=1e-7)
    if name == "airplane.obj":  # T3: 7017 vertices in the file, 5400 in use
        assert report.vertices == 5400


def test_open_sample_mesh() -> None:
    # T2: pymeshlab's bunny10k_textured.obj
    report = inspect(*read_obj(sample_meshes() / "bunny10k_textured.obj"))
    assert (report.vertices, report.faces, report.boundary_edges) == (5051, 9999, 109)
    assert [len(loop) for loop in report.loops] == [38, 22, 22, 19, 8]
    assert report.euler_characteristic == -3
    assert not report.watertight


def test_full_bunny(npm_package: Callable[[str], Path]) -> None:
    # npm stl-models 0.12: 34,834 welded vertices, 69,451 faces, five borders
    report = inspect(*read_stl(npm_package("stl-models@0.12.0") / "package/objects/bunny.bin.stl"))
    assert (report.vertices, report.faces) == (34834, 69451)
    assert [len(loop) for loop in report.loops] == [80, 42, 40, 39, 22]


@pytest.mark.parametrize(
    ("name", "genus"), [("eight", 2), ("knot1", 1), ("pipe", 1), ("anchor", 4), ("turbine", 11), ("cheese", 133)]
)  # T6: CGAL's meshes; genus = (2 C - borders - chi) / 2
def test_genus(cgal: Path, name: str, genus: int) -> None:
    assert inspect(*read_off(cgal / f"{name}.off")).genus == genus


def test_components_have_their_own_genus(cgal: Path) -> None:
    # T7
    knots = inspect(*read_off(cgal / "knot2.off"))
    assert [piece.genus for piece in knots.components] == [1, 1]
    blobs = inspect(*read_off(cgal / "blobby_3cc.off"))
    assert (len(blobs.components), blobs.loops_count) == (3, 4)
    assert sorted(piece.loops_count for piece in blobs.components) == [1, 1, 2]


@pytest.mark.parametrize(
    ("name", "volume", "tolerance"),
    [("tetrahedron", -1 / 6, 1e-9), ("open_cube", -1e6, 1e-3), ("mesh_with_border", -10526.8, 0.1)],
)  # T8: CGAL's inside-out files; volumes about the file's origin, as the open ones have none of their own
def test_inside_out_files(cgal: Path, name: str, volume: float, tolerance: float) -> None:
    vertices, faces = read_off(cgal / f"{name}.off")
    assert face_volumes(vertices, faces, np.zeros(3)).sum() == pytest.approx(volume, abs=tolerance)
    assert inspect(vertices, faces).components[0].volume < 0
    assert inspect(vertices, faces).inside_out == (name == "tetrahedron")


@pytest.mark.parametrize(
    ("name", "chi"),
    [("eight", -2), ("elephant", -4), ("anchor", -6), ("mech-holes-shark", -2), ("elephant-with-holes", -110)],
)  # G9: Gauss-Bonnet ties angles, which know no topology, to the counted Euler characteristic
def test_gauss_bonnet(cgal: Path, name: str, chi: int) -> None:
    vertices, faces = read_off(cgal / f"{name}.off")
    report = inspect(vertices, faces)
    at_vertex = np.bincount(faces.reshape(-1), corner_angles(vertices, faces).reshape(-1), minlength=len(vertices))
    full = np.zeros(len(vertices))
    full[faces] = 2 * np.pi
    for loop in report.loops:
        full[loop] -= np.pi
    assert (full - at_vertex).sum() == pytest.approx(2 * np.pi * chi, abs=1e-7)
    assert report.euler_characteristic == chi


def test_good_shapes() -> None:
    for shape, genus in ((icosphere(2), 0), (box(level=1), 0), (torus(40, 10, 24, 12), 1), (pipe(20, 15, 30, 16), 1)):
        report = inspect(*shape)
        assert report.watertight
        assert report.genus == genus
        assert not report.places


def test_empty_mesh_is_not_watertight() -> None:
    report = inspect(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    assert not report.watertight
    assert report.components == ()


def test_each_defect_is_counted_and_located() -> None:
    vertices, faces = icosphere(2)
    place = vertices[faces[7]].mean(axis=0)

    missing = inspect(vertices, np.delete(faces, 7, axis=0))
    assert (missing.boundary_edges, missing.loops_count) == (3, 1)
    assert np.linalg.norm(missing.places["boundary"].mean(axis=0) - place) < 1e-9

    turned = faces.copy()
    turned[7] = turned[7][::-1]
    assert (inspect(vertices, turned).misoriented_edges, inspect(vertices, turned).watertight) == (3, False)

    doubled = inspect(vertices, np.vstack([faces, faces[7:8]]))
    assert (doubled.duplicate_faces, doubled.nonmanifold_edges, doubled.watertight) == (1, 3, False)
    assert np.linalg.norm(doubled.places["duplicate"][0] - place) < 1e-9

    flattened = vertices.copy()
    flattened[faces[7, 0]] = flattened[faces[7, 1:]].mean(axis=0)
    assert (inspect(flattened, faces).degenerate_faces, inspect(flattened, faces).watertight) == (1, False)

    inward = inspect(vertices, faces[:, ::-1])
    assert (inward.inside_out, inward.watertight) == (1, False)


def test_spheres_that_touch_in_a_vertex() -> None:
    vertices, faces = icosphere(2)
    right, left = int(vertices[:, 0].argmax()), int(vertices[:, 0].argmin())
    both = np.vstack([vertices, vertices + vertices[right] - vertices[left]])
    joined = np.vstack([faces, faces + len(vertices)]).astype(np.int32)
    joined[joined == left + len(vertices)] = right
    report = inspect(both, joined)
    assert (report.nonmanifold_vertices, report.nonmanifold_edges, len(report.components)) == (1, 0, 2)
    assert np.allclose(report.places["nonmanifold-vertex"], vertices[right])
    assert not report.watertight


def test_fin_makes_an_edge_of_three_faces() -> None:
    vertices, faces = icosphere(1)
    a, b, _ = faces[0]
    report = inspect(
        np.vstack([vertices, 2 * vertices[a]]), np.vstack([faces, [[a, b, len(vertices)]]]).astype(np.int32)
    )
    assert (report.nonmanifold_edges, report.boundary_edges) == (1, 2)


def test_moebius_band_has_no_orientation() -> None:
    ring = np.arange(12)
    turn, half = 2 * np.pi * ring / 12, np.pi * ring / 12
    arm = np.column_stack([np.cos(turn) * np.cos(half), np.sin(turn) * np.cos(half), np.sin(half)])
    middle = 5 * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    vertices = np.vstack([middle - arm, middle + arm])
    faces = []
    for k in range(12):
        a, b = k, k + 12
        c, d = (k + 1, k + 13) if k < 11 else (12, 0)
        faces += [(a, c, b), (b, c, d)]
    report = inspect(vertices, np.array(faces, np.int32))
    assert (report.loops_count, report.euler_characteristic) == (1, 0)
    assert report.misoriented_edges > 0


def test_cavity_is_not_inside_out() -> None:
    outer, faces = icosphere(2, radius=25)
    hollow = inspect(np.vstack([outer, outer / 2]), np.vstack([faces, faces[:, ::-1] + len(outer)]).astype(np.int32))
    assert (hollow.inside_out, [piece.cavity for piece in hollow.components]) == (0, [False, True])
    assert hollow.watertight
    beside = inspect(
        np.vstack([outer, outer / 2 + 100]), np.vstack([faces, faces[:, ::-1] + len(outer)]).astype(np.int32)
    )
    assert beside.inside_out == 1


def test_loops_run_along_the_faces_and_part_where_borders_touch() -> None:
    _, faces = prism(10, 20, corners=16)
    loops = boundary_loops(faces)
    assert sorted(len(loop) for loop in loops) == [16, 16]
    directed = {(int(a), int(b)) for face in faces for a, b in zip(face, np.roll(face, -1), strict=True)}
    for loop in loops:
        assert all((int(a), int(b)) in directed for a, b in zip(loop, np.roll(loop, -1), strict=True))
    grid, cells = _grid(6)
    touching = np.delete(cells, [2 * (6 + 1), 2 * (6 + 1) + 1, 2 * (12 + 2), 2 * (12 + 2) + 1], axis=0)
    report = inspect(grid, touching)
    assert sorted(len(loop) for loop in report.loops) in ([4, 4, 24], [8, 24])
    assert report.nonmanifold_vertices == 1


def test_winding_number() -> None:
    vertices, faces = icosphere(2)
    assert winding_number(np.array([3.0, 4, 5]), vertices, faces) == pytest.approx(1)
    assert winding_number(np.array([30.0, 4, 5]), vertices, faces) == pytest.approx(0)


@given(st.integers(0, 2**32 - 1))
def test_order_of_faces_and_vertices_does_not_matter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vertices, faces = pipe(20, 15, 30, 9)
    faces = np.delete(faces, rng.integers(0, len(faces), 6), axis=0)
    turn = rng.permutation(len(vertices))
    shuffled = np.argsort(turn)[rng.permutation(faces)].astype(np.int32)
    shuffled = np.array([np.roll(face, rng.integers(3)) for face in shuffled])
    before, after = inspect(vertices, faces), inspect(vertices[turn], shuffled)
    for name in (
        "vertices",
        "edges",
        "boundary_edges",
        "loops_count",
        "nonmanifold_vertices",
        "euler_characteristic",
        "genus",
    ):
        assert getattr(before, name) == getattr(after, name)


def _grid(cells: int) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.arange(cells + 1.0), np.arange(cells + 1.0), indexing="ij")
    vertices = np.column_stack([x.ravel(), y.ravel(), 0 * x.ravel()])
    i, j = (index.ravel() for index in np.meshgrid(np.arange(cells), np.arange(cells), indexing="ij"))
    corner = i * (cells + 1) + j
    lower = np.column_stack([corner, corner + cells + 1, corner + cells + 2])
    upper = np.column_stack([corner, corner + cells + 2, corner + 1])
    return vertices, np.stack([lower, upper], axis=1).reshape(-1, 3).astype(np.int32)
