"""What the readers make of sound files: every form of every format, against what was written and other readers."""

from __future__ import annotations

import contextlib
import itertools
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from malformed import FACES, POINTS, lzf_literals, packed, pcd, rows, stl

from pipeline.errors import CaptureError
from pipeline.formats import ReadLimits, read_capture
from pipeline.formats.lzf import decompressed
from pipeline.formats.weld import weld
from pipeline.part import Capture

PLY_TYPES = {"x": ("double", "f8"), "y": ("float", "f4"), "z": ("double", "f8"), "nx": ("float", "f4")}
PLY_TYPES |= {"ny": ("float32", "f4"), "nz": ("float64", "f8"), "red": ("uchar", "u1"), "green": ("uint8", "u1")}
PLY_TYPES |= {"blue": ("uchar", "u1"), "quality": ("short", "i2"), "time": ("double", "f8")}


def read(folder: Path, name: str, data: bytes | str, **options: object) -> Capture:
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return read_capture(path, **options)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("reading")


@settings(max_examples=60)
@given(order=st.permutations(list(PLY_TYPES)), form=st.sampled_from(["ascii", "<", ">"]), faces_first=st.booleans())
def test_ply_properties_in_any_order_type_and_byte_order(
    folder: Path, order: list[str], form: str, faces_first: bool
) -> None:
    rng = np.random.default_rng(3)
    values = {name: rng.normal(size=20) for name in PLY_TYPES}
    values |= {name: rng.integers(0, 256, 20) for name in ("red", "green", "blue", "quality")}
    length = np.sqrt(sum(values[axis] ** 2 for axis in ("nx", "ny", "nz")))
    values |= {axis: values[axis] / length for axis in ("nx", "ny", "nz")}
    faces = rng.integers(0, 20, (7, 3))
    little = "<" if form == "ascii" else form
    table = np.zeros(20, [(name, little + PLY_TYPES[name][1]) for name in order])
    for name in order:
        table[name] = values[name]
    lists = np.zeros(7, [("count", "u1"), ("corners", little + "u4", 3), ("flag", "u1"), ("n", "u1"), ("uv", "f4", 2)])
    lists["count"], lists["corners"], lists["n"] = 3, faces, 2
    if form == "ascii":
        data = [
            "".join(" ".join(repr(x) for x in row) + "\n" for row in table.tolist()).encode(),
            "".join(f"3 {a} {b} {c} 0 2 0.5 0.25\n" for a, b, c in faces).encode(),
        ]
    else:
        data = [table.tobytes(), lists.tobytes()]
    header = [f"element vertex 20\n{''.join(f'property {PLY_TYPES[name][0]} {name}{chr(10)}' for name in order)}"]
    header.append("element face 7\nproperty list uchar uint vertex_index\nproperty uchar flag\n")
    header[1] += "property list uint8 float texcoord\n"
    if faces_first:
        header, data = header[::-1], data[::-1]
    names = {"ascii": "ascii", "<": "binary_little_endian", ">": "binary_big_endian"}
    head = f"ply\nformat {names[form]} 1.0\n{''.join(header)}end_header\n"
    capture = read(folder, "any.ply", head.encode() + b"".join(data))
    expected = np.column_stack([values["x"], values["y"].astype(np.float32), values["z"]])
    assert np.array_equal(capture.points, expected)
    assert np.allclose(capture.normals, np.column_stack([values[axis] for axis in ("nx", "ny", "nz")]), atol=1e-6)
    assert np.array_equal(capture.colours, np.column_stack([values[name] for name in ("red", "green", "blue")]))
    assert np.array_equal(capture.faces, faces)


@pytest.mark.parametrize("count", ["uchar", "char", "ushort", "int", "uint"])
@pytest.mark.parametrize("order", ["<", ">"])
def test_ply_polygons_of_different_sizes_become_fans(folder: Path, count: str, order: str) -> None:
    kind = {"uchar": "B", "char": "b", "ushort": "H", "int": "i", "uint": "I"}[count]
    polygons = [[0, 1, 2], [3, 4, 5, 6], [1, 2, 3], [0, 2, 4, 6, 8]]
    name = "binary_little_endian" if order == "<" else "binary_big_endian"
    head = f"ply\nformat {name} 1.0\nelement vertex 400\n" + "".join(f"property float {axis}\n" for axis in "xyz")
    head += f"element strange 2\nproperty list {count} short odd\nproperty double more\n"
    head += f"element face 4\nproperty list {count} int vertex_indices\nend_header\n"
    strange = struct.pack(f"{order}{kind}2hd{kind}d", 2, 1, 1, 0.5, 0, 0.5)
    body = b"".join(struct.pack(f"{order}{kind}{len(p)}i", len(p), *p) for p in polygons)
    data = head.encode() + POINTS.astype(f"{order}f4").tobytes() + strange + body
    capture = read(folder, "polygons.ply", data)
    fans = [(0, 1, 2), (3, 4, 5), (3, 5, 6), (1, 2, 3), (0, 2, 4), (0, 4, 6), (0, 6, 8)]
    assert np.array_equal(capture.faces, fans)


def test_ply_colours_as_fractions_and_as_16_bits(folder: Path) -> None:
    head = (
        "ply\nformat ascii 1.0\nelement vertex 2\nproperty float x\nproperty float y\nproperty float z\n{}end_header\n"
    )
    for kind, line in (("float", "0 0.5 1"), ("ushort", "0 32896 65535")):
        colours = "".join(f"property {kind} {name}\n" for name in ("red", "green", "blue"))
        capture = read(folder, "colours.ply", head.format(colours) + f"0 0 0 {line}\n1 1 1 {line}\n")
        assert capture.colours is not None
        assert capture.colours[1].tolist() == [0, 128, 255]


def test_normals_without_direction_are_dropped_and_others_brought_to_unit_length(folder: Path) -> None:
    head = "ply\nformat ascii 1.0\nelement vertex 2\n"
    head += "".join(f"property float {name}\n" for name in ("x", "y", "z", "nx", "ny", "nz")) + "end_header\n"
    capture = read(folder, "n.ply", head + "0 0 0 0 0 2\n1 1 1 3 0 4\n")
    assert np.allclose(capture.normals, [[0, 0, 1], [0.6, 0, 0.8]])
    assert read(folder, "n.ply", head + "0 0 0 0 0 0\n1 1 1 3 0 4\n").normals is None
    assert read(folder, "n.ply", head + "0 0 0 0 nan 0\n1 1 1 3 0 4\n").normals is None


def test_stl_is_welded_exactly_and_in_the_order_of_the_file(folder: Path) -> None:
    capture = read(folder, "tube.stl", stl())
    assert len(capture.points) == len(POINTS)
    assert capture.faces is not None
    assert np.array_equal(capture.points[capture.faces], POINTS.astype(float)[FACES])
    assert capture.faces[0].tolist() == [0, 1, 2]
    near = POINTS.copy()
    near[3, 0] = np.nextafter(near[3, 0], np.float32(99))
    assert len(read(folder, "near.stl", stl(points=near)).points) == len(POINTS)


@given(st.lists(st.tuples(*[st.sampled_from([-1.5, -0.0, 0.0, 2.0, 1e-30])] * 3), min_size=1, max_size=60))
def test_welding_joins_equal_places_only(corners: list[tuple[float, float, float]]) -> None:
    array = np.array(corners, np.float32)
    points, index = weld(array)
    assert np.array_equal(points[index], array)  # -0.0 equals 0.0
    assert len(np.unique(points, axis=0)) == len(points) == len({tuple(row) for row in (array + 0).tolist()})


def test_two_solids_of_an_ascii_stl_are_one_capture(folder: Path) -> None:
    triangle = "facet normal 0 0 1\nouter loop\nvertex {0} 0 0\nvertex 1 {0} 0\nvertex 0 1 {0}\nendloop\nendfacet\n"
    text = "".join(f"solid facet vertex {n}\n{triangle.format(n)}endsolid\n" for n in (2, 3))
    capture = read(folder, "two.stl", text.upper())
    assert capture.faces is not None
    assert capture.points[capture.faces[1, 0]].tolist() == [3, 0, 0]


@pytest.mark.parametrize("form", ["{0}", "{0}/7", "{0}//{0}", "{0}/9/{0}"])
def test_obj_faces_in_every_form(folder: Path, form: str) -> None:
    normals = "".join(f"vn 0 0 {1 + k % 2}\n" for k in range(4))
    points = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n"
    quad = "f " + " ".join(form.format(k) for k in (1, 2, 3, 4)) + "\n"
    relative = "f " + " ".join(form.format(k) for k in (-4, -3, -2)) + "\n"
    capture = read(folder, "forms.obj", f"# x\no a\ng b c\n{points}vt 0 0\n{normals}s off\n{quad}{relative}")
    assert np.array_equal(capture.faces, [(0, 1, 2), (0, 2, 3), (0, 1, 2)])
    if form.count("/") == 2:
        assert np.allclose(capture.normals, [[0, 0, 1]] * 4)
    else:
        assert capture.normals is None


def test_obj_relative_indices_count_from_where_they_stand(folder: Path) -> None:
    triangle = "v 0 0 {0}\nv 1 0 {0}\nv 0 1 {0}\nf -3 -2 \\\n -1\n"
    capture = read(folder, "where.obj", "".join(triangle.format(z) for z in range(3)))
    assert np.array_equal(capture.faces, np.arange(9).reshape(3, 3))


def test_obj_colours_behind_the_coordinates(folder: Path) -> None:
    capture = read(folder, "c.obj", "v 0 0 0 0 0.5 1\nv 1 0 0 1 0 0\nv 0 1 0 0 0 0\n")
    assert capture.faces is None
    assert capture.colours is not None
    assert capture.colours.tolist() == [[0, 128, 255], [255, 0, 0], [0, 0, 0]]


def test_pcd_packed_colours_normals_and_padding(folder: Path) -> None:
    table = np.zeros(5, [("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("_", "u1", 4), ("rgb", "<u4"), ("n", "<f4", 3)])
    table["x"], table["rgb"], table["n"] = np.arange(5), 0x01FF8000 | 7, (0, 0, 1)
    head = "VERSION 0.7\nFIELDS x y z _ rgb normal_x normal_y normal_z\nSIZE 4 4 4 1 4 4 4 4\nTYPE F F F U {} F F F\n"
    head += "COUNT 1 1 1 4 1 1 1 1\nWIDTH 5\nHEIGHT 1\nPOINTS 5\nDATA {}\n"
    for kind in "FU":
        capture = read(folder, "c.pcd", head.format(kind, "binary").encode() + table.tobytes())
        assert capture.colours is not None
        assert capture.colours.tolist() == [[255, 128, 7]] * 5
        assert np.array_equal(capture.normals, [[0, 0, 1]] * 5)
        # Text writes a float's value, of which the bits are the colour.
        value = repr(float(np.uint32(0x00FF8007).view(np.float32))) if kind == "F" else str(0x00FF8007)
        line = f"1.5 2 3 0 0 0 0 {value} 0 0 1\n"
        assert np.array_equal(read(folder, "t.pcd", head.format(kind, "ascii") + line * 5).colours, capture.colours)


def test_missing_points_of_an_organised_pcd_are_dropped(folder: Path) -> None:
    points = POINTS.copy()
    points[::7] = np.nan
    data = pcd("binary", width=20, points=400, height=20, body=points.tobytes())
    assert np.array_equal(read(folder, "organised.pcd", data).points, points[np.arange(400) % 7 != 0])


def test_pcd_compressed_by_another_program_reads_alike(folder: Path) -> None:
    from pipeline.geometry.native import open3d

    module = open3d()
    points = np.round(np.repeat(POINTS, 40, axis=0).astype(float), 1)  # repeats, so that there is something to compress
    cloud = module.geometry.PointCloud(module.utility.Vector3dVector(points))
    path = folder / "other.pcd"
    module.io.write_point_cloud(str(path), cloud, compressed=True)
    assert path.stat().st_size < points.size * 4 / 2
    assert np.array_equal(read_capture(path).points, points.astype(np.float32))


@given(st.binary(max_size=300), st.integers(0, 2000))
def test_decompression_of_anything_ends_within_its_bounds(packed_bytes: bytes, size: int) -> None:
    with contextlib.suppress(ValueError):
        assert len(decompressed(packed_bytes, size)) == size


@given(st.binary(min_size=1, max_size=400))
def test_literals_decompress_to_themselves(data: bytes) -> None:
    assert decompressed(lzf_literals(data), len(data)) == data
    assert len(packed(data)) == len(data) + 8


SEPARATORS = {"blanks": "  ", "tab": "\t", "comma": ",", "comma and blank": ", ", "semicolon": ";", "; ": " ; "}


@pytest.mark.parametrize("separator", SEPARATORS.values(), ids=SEPARATORS.keys())
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("start", ["", "# a comment\n", "X Y Z\n", "400\n", "//x,y,z\n\n% two\n400\n", "\ufeff"])
def test_text_with_every_separator_line_end_and_beginning(folder: Path, separator: str, end: str, start: str) -> None:
    text = (start + rows(POINTS).replace(" ", separator)).replace("\n", end)
    assert np.array_equal(read(folder, "t.txt", text).points, np.round(POINTS.astype(float), 6))


def test_decimal_commas_are_points_where_they_can_be_nothing_else(folder: Path) -> None:
    for text in ("1,5 2,25 -3,0\n", "1,5;2,25;-3,0\n", "1,5\t2,25\t-3,0\t255\t0\t9\n", "1,5 ; 2,25 ; -3\n"):
        assert read(folder, "d.xyz", text * 3).points[2].tolist() == [1.5, 2.25, -3.0]
    assert read(folder, "whole.xyz", "1,2,3\n4,5,6\n").points.tolist() == [[1, 2, 3], [4, 5, 6]]


def test_columns_of_a_text_by_what_they_can_only_be(folder: Path) -> None:
    unit, colour = "0.6 0 0.8", "255 0 7"
    for line, normals, colours in (
        ("1 2 3.5", False, False),
        ("1 2 3.5 0.7", False, False),
        (f"1 2 3.5 {unit}", True, False),
        (f"1 2 3.5 {colour}", False, True),
        (f"1 2 3.5 99 {colour}", False, True),
        (f"1 2 3.5 {colour} {unit}", True, True),
        (f"1 2 3.5 {unit} {colour}", True, True),
        ("1 2 3.5 300 10 2.5", False, False),
    ):
        capture = read(folder, "c.xyz", f"{line}\n" * 4)
        assert capture.points[3].tolist() == [1, 2, 3.5]
        assert (capture.normals is not None, capture.colours is not None) == (normals, colours), line
        if colours:
            assert capture.colours is not None
            assert capture.colours[0].tolist() == [255, 0, 7]
    titled = read(folder, "t.txt", "r,g,b,x,y,z\n1,2,3,10.5,20,30\n")
    assert titled.points.tolist() == [[10.5, 20, 30]]
    assert titled.colours is not None
    assert titled.colours.tolist() == [[1, 2, 3]]


def test_unit_factors_of_length_area_and_volume(folder: Path) -> None:
    """25.4, 645.16 and 16387.064 from inches, 1000, 1e6 and 1e9 from metres: the definitions of the units (exact)."""
    for mm, area, volume in ((25.4, 645.16, 16387.064), (1000.0, 1e6, 1e9)):
        plain, scaled = (read(folder, "u.stl", stl(), mm_per_unit=unit) for unit in (1.0, mm))
        one, other = (trimesh.Trimesh(c.points, c.faces, process=False) for c in (plain, scaled))
        assert other.extents == pytest.approx(one.extents * mm, rel=1e-12)
        assert other.area == pytest.approx(one.area * area, rel=1e-12)
        assert other.volume == pytest.approx(one.volume * volume, rel=1e-12)


def test_limits_are_kept(folder: Path) -> None:
    for limits in (ReadLimits(points=100), ReadLimits(bytes=1000)):
        for name, data in (("l.stl", stl()), ("l.xyz", rows(POINTS)), ("l.pcd", pcd("binary"))):
            with pytest.raises(CaptureError, match="allowed"):
                read(folder, name, data, limits=limits)


@pytest.mark.parametrize(("suffix", "form"), list(itertools.product(["ply", "stl", "obj"], ["box", "ball"])))
def test_files_of_another_writer(folder: Path, suffix: str, form: str) -> None:
    mesh = trimesh.creation.box((60, 40, 20)) if form == "box" else trimesh.creation.icosphere(3, 25)
    path = folder / f"other.{suffix}"
    mesh.export(path)
    capture = read_capture(path)
    again = trimesh.Trimesh(capture.points, capture.faces, process=False)
    assert again.volume == pytest.approx(mesh.volume, rel=1e-6)
    assert again.is_watertight
    assert len(capture.points) == len(mesh.vertices)
