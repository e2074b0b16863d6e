"""Deliverables: what other readers and the formats' own validators make of them, and that a bad one never appears."""

from __future__ import annotations

import json
import struct
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import lib3mf
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as st_numpy

from pipeline.errors import DeliverableError
from pipeline.formats import MeshFormat, gltf, read_capture, read_mesh, stl, write_mesh, write_points, writing
from pipeline.formats.contents import Contents
from pipeline.part import MM_PER_UNIT, Mesh, Unit

FORMATS: tuple[MeshFormat, ...] = get_args(MeshFormat)


def ball(radius: float = 100.0, subdivisions: int = 3, centre: tuple[float, float, float] = (10, 20, 30)) -> Mesh:
    """A ball with colours and flags, of three different extents."""
    made = trimesh.creation.icosphere(subdivisions, radius)
    vertices = made.vertices * [1, 0.5, 0.25] + centre
    colours = np.arange(vertices.size).reshape(-1, 3) % 256
    return Mesh(vertices, made.faces, np.arange(len(made.faces)) % 3 == 0, colours.astype(np.uint8))


def unit_of(form: MeshFormat, unit: Unit = "mm") -> Unit:
    return "m" if form == "glb" else unit


def write(mesh: Mesh, path: Path, form: MeshFormat, unit: Unit = "mm", watertight: bool = True) -> Path:
    write_mesh(mesh, path, format=form, unit=unit_of(form, unit), watertight=watertight)
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("writing")


@settings(max_examples=25)
@given(
    points=st_numpy.arrays(np.float64, st.tuples(st.integers(3, 30), st.just(3)), elements=st.floats(-900, 900)),
    seed=st.integers(0, 9),
    unit=st.sampled_from(["mm", "cm", "m", "in"]),
    coloured=st.booleans(),
)
def test_any_mesh_comes_back_in_millimetres(
    folder: Path, points: np.ndarray, seed: int, unit: Unit, coloured: bool
) -> None:
    rng = np.random.default_rng(seed)
    faces = np.array([rng.permutation(len(points))[:3] for _ in range(12)])
    colours = rng.integers(0, 256, points.shape, np.uint8) if coloured else None
    mesh = Mesh(points, faces, rng.random(12) < 0.5, colours)
    for form in FORMATS:
        path = folder / f"any.{form}"
        deliverable = write_mesh(mesh, path, format=form, unit=unit_of(form, unit), watertight=False)
        back = read_mesh(path, format=form, unit=deliverable.unit)
        assert np.abs(back.vertices[back.faces] - mesh.vertices[mesh.faces]).max() <= 900 * 2.0**-23
        if form != "stl":
            assert np.array_equal(back.faces, mesh.faces)
        if form in ("ply", "obj", "glb"):
            assert (back.colours is None) == (colours is None)
            assert colours is None or np.array_equal(back.colours, colours)
        if form == "ply":
            assert np.array_equal(back.filled, mesh.filled)


@pytest.mark.parametrize("form", ["stl", "ply", "obj", "glb"])
def test_an_independent_reader_finds_the_same_solid(tmp_path: Path, form: MeshFormat) -> None:
    mesh = ball()
    path = write(mesh, tmp_path / f"ball.{form}", form)
    other = trimesh.load(path, force="mesh")
    given_mesh = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    factor = 1000.0 if form == "glb" else 1.0
    assert len(other.faces) == len(mesh.faces)
    assert other.is_watertight
    assert other.volume * factor**3 == pytest.approx(given_mesh.volume, rel=1e-5)  # positive: outward
    extents = other.extents * factor
    assert extents[[0, 2, 1] if form == "glb" else [0, 1, 2]] == pytest.approx(given_mesh.extents, rel=1e-6)
    if form in ("ply", "obj"):
        assert np.array_equal(np.asarray(other.visual.vertex_colors)[:, :3], mesh.colours)


@pytest.mark.parametrize("unit", MM_PER_UNIT)
@pytest.mark.parametrize("form", ["stl", "ply", "obj", "3mf"])
def test_the_numbers_in_the_file_are_in_its_unit(tmp_path: Path, form: MeshFormat, unit: Unit) -> None:
    path = write(ball(), tmp_path / f"ball.{form}", form, unit)
    vertices = lib3mf_mesh(path)[0] if form == "3mf" else trimesh.load(path, force="mesh").vertices
    assert np.ptp(vertices, axis=0) == pytest.approx(np.array([200, 100, 50]) / MM_PER_UNIT[unit], rel=1e-6)


@pytest.mark.parametrize("form", FORMATS)
def test_the_same_mesh_gives_the_same_bytes_and_a_true_account(tmp_path: Path, form: MeshFormat) -> None:
    first, second = (
        write_mesh(ball(), tmp_path / f"{name}.{form}", format=form, unit=unit_of(form), watertight=True)
        for name in ("one", "two")
    )
    assert first.sha256 == second.sha256
    assert (first.bytes, first.triangles) == ((tmp_path / first.file).stat().st_size, 1280)
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"one.{form}", f"two.{form}"]


def test_binary_stl_size_and_normals(tmp_path: Path) -> None:
    """84 + 50 bytes for each triangle (STL layout from memory): 256,084 bytes for 5,120."""
    path = write(ball(subdivisions=4), tmp_path / "ball.stl", "stl")
    assert path.stat().st_size == 84 + 50 * 5120 == 256_084
    data = path.read_bytes()
    assert not data.startswith(b"solid")
    facets = np.frombuffer(data[84:], stl.FACET)
    outward = facets["corners"].mean(axis=1) - [10, 20, 30]
    assert (np.einsum("ij,ij->i", facets["normal"], outward) > 0).all()
    assert np.allclose(np.linalg.norm(facets["normal"], axis=1), 1, atol=1e-6)


def test_single_precision_loses_what_ieee_754_says_and_no_more(tmp_path: Path) -> None:
    """Spacing of single precision at 1e3, 1e5 and 1e6: 6.1e-5, 0.0078, 0.0625 (IEEE 754)."""
    for far, spacing in ((1e3, 6.1e-5), (1e5, 0.0078), (1e6, 0.0625)):
        assert np.spacing(np.float32(far)) == pytest.approx(spacing, rel=0.01)
    for form in ("stl", "3mf", "glb"):
        write(ball(centre=(1e3, 0, 0)), tmp_path / f"near.{form}", form)
        with pytest.raises(DeliverableError, match="far from the origin"):
            write(ball(centre=(1e5, 0, 0)), tmp_path / f"far.{form}", form)
    mesh = ball(centre=(1e5, 0, 0))
    for form in ("ply", "obj"):
        path = write(mesh, tmp_path / f"far.{form}", form)
        assert np.abs(read_mesh(path, format=form, unit="mm").vertices - mesh.vertices).max() < 1e-4
    assert b"property double x" in (tmp_path / "far.ply").read_bytes()[:300]
    assert not list(tmp_path.glob("far.stl"))


def glb_parts(path: Path) -> tuple[tuple[int, ...], dict[str, object], bytes]:
    data = path.read_bytes()
    length = struct.unpack_from("<I", data, 12)[0]
    return struct.unpack_from("<5I", data), json.loads(data[20 : 20 + length]), data[28 + length :]


def test_glb_is_in_metres_with_y_up_and_exact_bounds(tmp_path: Path) -> None:
    """glTF 2.0, sections "Coordinate System and Units", "Accessors Bounds", "Header": 200 mm are 0.2."""
    mesh = ball()
    path = write(mesh, tmp_path / "ball.glb", "glb")
    (magic, version, length, chunk, kind), document, binary = glb_parts(path)
    assert (magic, version, length, kind) == (0x46546C67, 2, path.stat().st_size, 0x4E4F534A)
    assert chunk % 4 == len(binary) % 4 == 0
    attributes = document["meshes"][0]["primitives"][0]["attributes"]  # type: ignore[index]
    accessor = document["accessors"][attributes["POSITION"]]  # type: ignore[index]
    view = document["bufferViews"][accessor["bufferView"]]  # type: ignore[index]
    stored = np.frombuffer(binary[view["byteOffset"] :][: view["byteLength"]], "<f4").reshape(-1, 3)
    assert accessor["min"] == stored.min(axis=0).astype(float).tolist()
    assert accessor["max"] == stored.max(axis=0).astype(float).tolist()
    assert np.ptp(stored, axis=0) == pytest.approx([0.2, 0.05, 0.1], rel=1e-6)
    assert stored[0] * 1000 == pytest.approx(mesh.vertices[0] @ [[1, 0, 0], [0, 0, -1], [0, 1, 0]], rel=1e-6)
    assert {"NORMAL", "COLOR_0"} <= set(attributes)


def test_glb_colours_are_linear(tmp_path: Path) -> None:
    """sRGB 188 is half the light (IEC 61966-2-1: ((188 / 255 + 0.055) / 1.055)^2.4 = 0.503)."""
    mesh = ball()
    grey = Mesh(mesh.vertices, mesh.faces, mesh.filled, np.full(mesh.vertices.shape, 188, np.uint8))
    _, document, binary = glb_parts(write(grey, tmp_path / "grey.glb", "glb"))
    number = document["meshes"][0]["primitives"][0]["attributes"]["COLOR_0"]  # type: ignore[index]
    view = document["bufferViews"][document["accessors"][number]["bufferView"]]  # type: ignore[index]
    stored = np.frombuffer(binary[view["byteOffset"] :][: view["byteLength"]], "<u2").reshape(-1, 4)
    assert stored[:, :3] / 65535 == pytest.approx(0.503, abs=1e-3)
    assert (stored[:, 3] == 65535).all()


@pytest.fixture(scope="session")
def gltf_issues(npm_package: Callable[[str], Path]) -> Callable[[Path], list[str]]:
    """The codes of the errors and warnings that Khronos' own validator finds."""
    package = npm_package("gltf-validator@2.0.0-dev.3.10") / "package"
    script = f"require({json.dumps(str(package))})"
    script += ".validateBytes(new Uint8Array(require('fs').readFileSync(process.argv[1])))"
    script += ".then(report => console.log(JSON.stringify(report.issues.messages)))"

    def issues(path: Path) -> list[str]:
        done = subprocess.run(
            ["node", "-e", script, str(path)], capture_output=True, encoding="utf-8", check=True, timeout=60
        )
        return [message["code"] for message in json.loads(done.stdout) if message["severity"] < 2]

    return issues


def test_the_validator_of_gltf_has_nothing_to_say(tmp_path: Path, gltf_issues: Callable[[Path], list[str]]) -> None:
    mesh = ball()
    plain = Mesh(np.vstack([mesh.vertices, [[0, 0, 0]]]), mesh.faces, mesh.filled)  # one vertex that no face uses
    for name, each in (("coloured", mesh), ("plain", plain)):
        assert gltf_issues(write(each, tmp_path / f"{name}.glb", "glb")) == []


def test_the_validator_of_gltf_finds_wrong_bounds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gltf_issues: Callable[[Path], list[str]]
) -> None:
    """So that the test above can fail; and our own reader finds them as well."""
    right = gltf._bounds
    for wrong, code, count in (
        (lambda points: {}, "MESH_PRIMITIVE_POSITION_ACCESSOR_WITHOUT_BOUNDS", 1),
        (lambda points: {**right(points), "max": [9.0, 9.0, 9.0]}, "ACCESSOR_MAX_MISMATCH", 3),
    ):
        mesh = ball()
        monkeypatch.setattr(gltf, "_bounds", wrong)
        data = gltf.encode(Contents(mesh.vertices / 1000, faces=mesh.faces, unit="m"))
        monkeypatch.setattr(gltf, "_bounds", right)
        (tmp_path / "wrong.glb").write_bytes(data)
        assert gltf_issues(tmp_path / "wrong.glb").count(code) == count
        with pytest.raises(Exception, match=r"bounds|min"):
            read_mesh(tmp_path / "wrong.glb", format="glb", unit="m")


def test_glb_in_another_unit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DeliverableError, match="metres"):
        write_mesh(ball(), tmp_path / "ball.glb", format="glb", unit="mm", watertight=True)


def lib3mf_mesh(path: Path) -> tuple[np.ndarray, np.ndarray, object, object]:
    """Vertices, triangles, the object and the model's unit, by the consortium's own library."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    objects = model.GetMeshObjects()
    assert objects.MoveNext()
    item = objects.GetCurrentMeshObject()
    vertices = np.array([list(vertex.Coordinates) for vertex in item.GetVertices()])
    triangles = np.array([list(triangle.Indices) for triangle in item.GetTriangleIndices()])
    return vertices, triangles, item, model.GetUnit()


def test_3mf_is_a_closed_solid_in_millimetres(tmp_path: Path) -> None:
    """3MF core 1.4, section 4.1: every edge in exactly two triangles, outward. lib3mf takes an inside-out ball
    for sound, so the sign of the volume is tested here."""
    mesh = ball(subdivisions=2)
    path = write(mesh, tmp_path / "ball.3mf", "3mf")
    vertices, triangles, item, unit = lib3mf_mesh(path)
    assert unit == lib3mf.Lib3MF.ModelUnit.MilliMeter
    assert item.GetType() == lib3mf.Lib3MF.ObjectType.Model  # type: ignore[attr-defined]
    assert item.IsManifoldAndOriented()  # type: ignore[attr-defined]
    half_edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    assert len(np.unique(half_edges, axis=0)) == len(half_edges)
    assert {tuple(edge) for edge in half_edges} == {tuple(edge[::-1]) for edge in half_edges}
    corners = vertices[triangles]
    volume = np.einsum("ni,ni->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6
    assert volume == pytest.approx(trimesh.Trimesh(mesh.vertices, mesh.faces).volume, rel=1e-5)
    assert volume > 0
    xml = zipfile.ZipFile(path).read("3D/3dmodel.model")
    assert b'unit="millimeter"' in xml


def test_3mf_of_an_open_scan_is_a_surface(tmp_path: Path) -> None:
    mesh = ball(subdivisions=2)
    cut = Mesh(mesh.vertices, mesh.faces[10:], mesh.filled[10:])
    item = lib3mf_mesh(write(cut, tmp_path / "open.3mf", "3mf", watertight=False))[2]
    assert item.GetType() == lib3mf.Lib3MF.ObjectType.Surface  # type: ignore[attr-defined]


def test_3mf_refuses_a_triangle_that_names_a_point_twice(tmp_path: Path) -> None:
    mesh = ball(subdivisions=1)
    faces = mesh.faces.copy()
    faces[5, 1] = faces[5, 0]
    with pytest.raises(DeliverableError, match="twice"):
        write(Mesh(mesh.vertices, faces), tmp_path / "twice.3mf", "3mf", watertight=False)


def damaged(change: Callable[[Mesh], Mesh]) -> Callable[[Contents], bytes]:
    """An STL encoder that writes something else than it was given."""

    def encode(contents: Contents) -> bytes:
        other = change(Mesh(contents.points, contents.faces))
        return stl.encode(Contents(other.vertices, faces=other.faces, unit="mm"))

    return encode


@pytest.mark.parametrize(
    ("words", "encode"),
    [
        ("triangles instead of", damaged(lambda mesh: Mesh(mesh.vertices, mesh.faces[1:]))),
        ("points differ by", damaged(lambda mesh: Mesh(mesh.vertices * 1.0001, mesh.faces))),
        ("points differ by", damaged(lambda mesh: Mesh(mesh.vertices * 25.4, mesh.faces))),
        ("points differ by", damaged(lambda mesh: Mesh(mesh.vertices, mesh.faces[:, ::-1]))),
        ("did not read back", lambda contents: stl.encode(contents)[:-1]),
        ("did not read back", lambda contents: b""),
    ],
)
def test_a_file_that_reads_back_otherwise_never_appears(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str, encode: Callable[[Contents], bytes]
) -> None:
    monkeypatch.setattr(writing, "_encoder", lambda form, watertight: encode)
    with pytest.raises(DeliverableError, match=words):
        write(ball(), tmp_path / "ball.stl", "stl")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_was_there_stays_when_the_new_one_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(ball(), tmp_path / "ball.stl", "stl")
    before = path.read_bytes()
    monkeypatch.setattr(writing, "_encoder", lambda form, watertight: lambda contents: b"nothing")
    with pytest.raises(DeliverableError):
        write(ball(radius=50), path, "stl")
    assert path.read_bytes() == before
    assert [each.name for each in tmp_path.iterdir()] == ["ball.stl"]


def test_a_mesh_without_triangles_or_with_holes_in_its_numbers_is_not_written(tmp_path: Path) -> None:
    mesh = ball()
    for wrong in (
        Mesh(mesh.vertices, mesh.faces[:0]),
        Mesh(np.where(np.arange(mesh.vertices.size).reshape(-1, 3) == 7, np.nan, mesh.vertices), mesh.faces),
        Mesh(mesh.vertices, mesh.faces + 1),
    ):
        for form in FORMATS:
            with pytest.raises(DeliverableError):
                write(wrong, tmp_path / f"wrong.{form}", form)
    assert list(tmp_path.iterdir()) == []


def test_points_with_the_reason_of_their_removal(tmp_path: Path) -> None:
    points = np.random.default_rng(1).normal(size=(50, 3)) * 40
    reason = np.arange(50) % 4
    colours = np.zeros((50, 3), np.uint8)
    write_points(tmp_path / "removed.ply", points, colours=colours, reason=reason)
    assert np.allclose(read_capture(tmp_path / "removed.ply").points, points, atol=1e-5)
    raw = trimesh.load(tmp_path / "removed.ply").metadata["_ply_raw"]["vertex"]["data"]
    assert np.array_equal(raw["reason"], reason)
    write_points(tmp_path / "none.ply", points[:0])
    assert (tmp_path / "none.ply").exists()


def test_flags_of_filled_faces_are_a_property_of_the_ply(tmp_path: Path) -> None:
    mesh = ball()
    raw = trimesh.load(write(mesh, tmp_path / "ball.ply", "ply")).metadata["_ply_raw"]["face"]["data"]
    assert np.array_equal(raw["filled"].astype(bool), mesh.filled)
