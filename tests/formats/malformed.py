"""Damaged, lying and hostile capture files, and sound ones beside them: a name and the bytes that lie under it."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np

RINGS, STEPS = 20, 20


def shape() -> tuple[np.ndarray, np.ndarray]:
    """A wavy tube: 400 points, 760 triangles, single precision so that every format can hold it."""
    u, v = np.meshgrid(np.arange(RINGS), np.arange(STEPS), indexing="ij")
    turn, radius = v * 2 * np.pi / STEPS, 20 + 3 * np.sin(u * 0.7)
    points = np.column_stack([(radius * np.cos(turn)).ravel(), (radius * np.sin(turn)).ravel(), u.ravel() * 2.5])
    a = (u * STEPS + v)[:-1].ravel()
    b = (u * STEPS + (v + 1) % STEPS)[:-1].ravel()
    faces = np.concatenate([np.column_stack([a, b, b + STEPS]), np.column_stack([a, b + STEPS, a + STEPS])])
    return points.astype(np.float32), faces.astype(np.int32)


POINTS, FACES = shape()
N, M = len(POINTS), len(FACES)


def rows(values: np.ndarray, pattern: str = "%.6f", start: str = "") -> str:
    return "".join(start + " ".join(pattern % x for x in row) + "\n" for row in values.tolist())


def ply_header(
    form: str = "binary_little_endian",
    n: object = N,
    m: object = M,
    *,
    faces: bool = True,
    kind: str = "float",
    extra: str = "",
    count: str = "uchar",
    index: str = "int",
) -> bytes:
    text = f"ply\nformat {form} 1.0\nelement vertex {n}\n"
    text += "".join(f"property {kind} {axis}\n" for axis in "xyz") + extra
    if faces:
        text += f"element face {m}\nproperty list {count} {index} vertex_indices\n"
    return (text + "end_header\n").encode()


def vertex_bytes(points: np.ndarray = POINTS, order: str = "<f4") -> bytes:
    return points.astype(order).tobytes()


def face_bytes(faces: np.ndarray = FACES, order: str = "<") -> bytes:
    table = np.zeros(len(faces), [("count", "u1"), ("corners", f"{order}i4", 3)])
    table["count"], table["corners"] = 3, faces
    return table.tobytes()


def changed(values: np.ndarray, row: int, column: int, value: float) -> np.ndarray:
    new = values.copy()
    new[row, column] = value
    return new


def stl(count: int | None = None, points: np.ndarray = POINTS, header: bytes = b"tube", facets: int = M) -> bytes:
    table = np.zeros(M, [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    table["corners"] = points[FACES]
    return header.ljust(80) + struct.pack("<I", M if count is None else count) + table[:facets].tobytes()


def ascii_stl(points: np.ndarray = POINTS, end: str = "\n") -> bytes:
    lines = ["solid tube"]
    for corners in points[FACES].tolist():
        lines += ["facet normal 0 0 0", " outer loop", *(f"  vertex {x:.6f} {y:.6f} {z:.6f}" for x, y, z in corners)]
        lines += [" endloop", "endfacet"]
    return end.join([*lines, "endsolid tube", ""]).encode()


def pcd(data: str, width: object = N, points: object = None, size: str = "4 4 4", height: int = 1, kind: str = "F F F",
        fields: str = "x y z", body: bytes | None = None) -> bytes:  # fmt: skip
    points = width if points is None else points
    head = f"# .PCD v0.7\nVERSION 0.7\nFIELDS {fields}\nSIZE {size}\nTYPE {kind}\nCOUNT{' 1' * len(fields.split())}\n"
    head += f"WIDTH {width}\nHEIGHT {height}\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {points}\nDATA {data}\n"
    plain = rows(POINTS).encode() if data == "ascii" else vertex_bytes()
    return head.encode() + (plain if body is None else body)


def lzf_literals(data: bytes) -> bytes:
    """Sound LZF that compresses nothing: runs of at most 32 bytes."""
    return b"".join(bytes([len(data[k : k + 32]) - 1]) + data[k : k + 32] for k in range(0, len(data), 32))


def packed(body: bytes, size: int | None = None, unpacked: int = N * 12) -> bytes:
    return struct.pack("<II", len(body) if size is None else size, unpacked) + body


def obj(points: str | None = None, faces: str | None = None) -> bytes:
    points = rows(POINTS, start="v ") if points is None else points
    return (points + (rows(FACES + 1, "%d", "f ") if faces is None else faces)).encode()


_PLY, _V, _F = ply_header(), vertex_bytes(), face_bytes()
_ASCII = ply_header("ascii") + (rows(POINTS) + rows(np.column_stack([np.full(M, 3), FACES]), "%d")).encode()
_CLOUD = ply_header("ascii", faces=False)
_PCD_COLUMNS = vertex_bytes(np.ascontiguousarray(POINTS.T))
_JUNK = np.random.default_rng(0).integers(0, 256, 20_000, np.uint8).tobytes()
_LETTERS = b"".join(b"%d lorem ipsum\n" % k for k in range(300))
_XYZ = rows(POINTS).encode()
_LINES = _XYZ.splitlines(keepends=True)

SOUND: dict[str, bytes] = {
    "binary.ply": _PLY + _V + _F,
    "big_endian.ply": ply_header("binary_big_endian") + vertex_bytes(order=">f4") + face_bytes(order=">"),
    "ascii.ply": _ASCII,
    "ascii_crlf.ply": _ASCII.replace(b"\n", b"\r\n"),
    "ascii_cr.ply": _ASCII.replace(b"\n", b"\r"),
    "bom.ply": b"\xef\xbb\xbf" + _ASCII,
    "crlf_header.ply": _PLY.replace(b"\n", b"\r\n") + _V + _F,
    "cloud.ply": ply_header(faces=False) + _V,
    "padded.ply": _PLY + _V + _F + b"\0" * 100,
    "polygon.ply": ply_header(m=1, count="int") + _V + struct.pack("<i400i", 400, *range(400)),
    "flat_faces.ply": _PLY + _V + face_bytes(np.zeros_like(FACES)),
    "stray_line.ply": _PLY.replace(b"element vertex", b"made by hand\nelement vertex", 1) + _V + _F,
    "many_comments.ply": _PLY.replace(b"element vertex", b"comment scan\n" * 300 + b"element vertex", 1) + _V + _F,
    "binary.stl": stl(),
    "solid_binary.stl": stl(header=b"solid tube"),
    "ascii.stl": ascii_stl(),
    "ascii_crlf.stl": ascii_stl(end="\r\n"),
    "plain.obj": obj(),
    "relative.obj": obj(faces=rows(FACES - N, "%d", "f ")),
    "slashes.obj": obj(faces="".join(f"f {a}/{a}/1 {b}/{b}/1 {c}/{c}/1\n" for a, b, c in (FACES + 1).tolist())),
    "foreign_material.obj": b"mtllib ../../../../etc/passwd\nusemtl x\n" + obj(),
    "ascii.pcd": pcd("ascii"),
    "binary.pcd": pcd("binary"),
    "compressed.pcd": pcd("binary_compressed", body=packed(lzf_literals(_PCD_COLUMNS))),
    "blanks.xyz": _XYZ,
    "counted.xyz": f"{N}\n".encode() + _XYZ,
    "header.xyz": b"// tube\nX Y Z\n" + _XYZ,
    "semicolons.txt": _XYZ.replace(b" ", b";"),
    "commas.asc": _XYZ.replace(b" ", b", "),
    "decimal_commas.xyz": _XYZ.replace(b".", b","),
    "decimal_commas_semicolons.txt": _XYZ.replace(b".", b",").replace(b" ", b";"),
}

BROKEN: dict[str, bytes] = {
    # PLY: what the header says against what is there
    "empty.ply": b"",
    "zeros.ply": bytes(5_000),
    "junk.ply": _JUNK,
    "page.ply": b"<!DOCTYPE html><html><body>404</body></html>\n",
    "cut_in_header.ply": _PLY[:70],
    "no_end_of_header.ply": _PLY.replace(b"end_header\n", b"") + _V,
    "long_line.ply": b"ply\nformat ascii 1.0\ncomment " + b"x" * 2_000_000 + b"\n",
    "cut_in_vertices.ply": _PLY + _V[:3000],
    "cut_in_faces.ply": _PLY + _V + _F[:5000],
    "cut_cloud.ply": ply_header(faces=False) + _V[:-1],
    "too_many_vertices.ply": ply_header(n=2_000_000_000) + _V + _F,
    "two_hundred_million.ply": ply_header(n=200_000_000) + _V + _F,
    "two_to_the_31.ply": ply_header(n=2**31) + _V + _F,
    "two_to_the_64.ply": ply_header(n=2**64) + _V + _F,
    "too_many_faces.ply": ply_header(m=2_000_000_000) + _V + _F,
    "too_many_ascii.ply": ply_header("ascii", n=2_000_000_000) + _XYZ,
    "negative_count.ply": ply_header(n=-400) + _V + _F,
    "negative_faces.ply": ply_header(m=-1) + _V + _F,
    "count_in_words.ply": ply_header(n="many") + _V,
    "count_in_other_digits.ply": ply_header(n="\u0664\u0660\u0660") + _V + _F,
    "trailing_bytes.ply": _PLY + _V + _F + b"more",
    "nothing_in_it.ply": ply_header(n=0, m=0),
    # PLY: its header
    "no_format.ply": _PLY.replace(b"format binary_little_endian 1.0\n", b"") + _V + _F,
    "other_format.ply": _PLY.replace(b"little_endian", b"middle_endian") + _V + _F,
    "unknown_type.ply": _PLY.replace(b"property float x", b"property quaternion x") + _V + _F,
    "no_vertex.ply": _PLY.replace(b"element vertex", b"element corner") + _V + _F,
    "no_z.ply": _PLY.replace(b"float z", b"float w") + _V + _F,
    "doubled_property.ply": _PLY.replace(b"float y", b"float x") + _V + _F,
    "doubled_element.ply": _PLY.replace(b"element face", b"element vertex") + _V + _F,
    "property_first.ply": _PLY.replace(b"element vertex 400\n", b"") + _V + _F,
    "float_count.ply": ply_header(count="float") + _V + _F,
    "utf16.ply": _ASCII.decode().encode("utf-16"),
    # PLY: its data
    "not_a_number.ply": _PLY + vertex_bytes(changed(POINTS, 7, 1, np.nan)) + _F,
    "infinite.ply": _PLY + vertex_bytes(changed(POINTS, 7, 1, -np.inf)) + _F,
    "absurd_float.ply": _PLY + vertex_bytes(changed(POINTS, 7, 1, 1e38)) + _F,
    "absurd_double.ply": ply_header(kind="double")
    + vertex_bytes(changed(POINTS.astype(float), 7, 1, 1e300), "<f8") + _F,
    "corner_out_of_range.ply": _PLY + _V + face_bytes(changed(FACES, 9, 2, N)),
    "corner_negative.ply": _PLY + _V + face_bytes(changed(FACES, 9, 2, -1)),
    "two_corners.ply": _PLY + _V + struct.pack("<B2i", 2, 0, 1) + _F[13:] + b"\0" * 4,
    "list_of_255.ply": ply_header(m=1) + _V + struct.pack("<B3i", 255, 0, 1, 2),
    "list_of_four_billion.ply": ply_header(m=1, count="uint") + _V + struct.pack("<I3i", 2**32 - 1, 0, 1, 2),
    "list_negative.ply": ply_header(m=2, count="char") + _V + struct.pack("<b3ib3i", 3, 0, 1, 2, -3, 0, 1, 2),
    "ascii_row_missing.ply": _CLOUD + b"".join(_LINES[:-1]),
    "ascii_row_short.ply": _CLOUD + b"".join([*_LINES[:50], b"1.0 2.0\n", *_LINES[51:]]),
    "ascii_row_long.ply": _CLOUD + b"".join([*_LINES[:50], b"1.0 2.0 3.0 4.0\n", *_LINES[51:]]),
    "ascii_word.ply": _CLOUD + b"".join([*_LINES[:50], b"1.0 two 3.0\n", *_LINES[51:]]),
    "ascii_hexadecimal.ply": _CLOUD + b"".join([*_LINES[:50], b"1.0 0x10 3.0\n", *_LINES[51:]]),
    "ascii_underscore.ply": _CLOUD + b"".join([*_LINES[:50], b"1.0 1_0 3.0\n", *_LINES[51:]]),
    "ascii_nan.ply": _CLOUD + b"".join([*_LINES[:50], b"1.0 nan 3.0\n", *_LINES[51:]]),
    "ascii_commas.ply": _CLOUD + _XYZ.replace(b" ", b","),
    "ascii_decimal_commas.ply": _CLOUD + _XYZ.replace(b".", b","),
    "ascii_zero_byte.ply": _CLOUD + _XYZ.replace(b".", b"\0", 1),
    "ascii_face_short.ply": ply_header("ascii", m=1) + _XYZ + b"4 0 1 2\n",
    "ascii_face_long.ply": ply_header("ascii", m=1) + _XYZ + b"3 0 1 2 3\n",
    "ascii_face_fraction.ply": ply_header("ascii", m=1) + _XYZ + b"3 0 1.5 2\n",
    "ascii_colour_300.ply": ply_header("ascii", n=1, faces=False, extra="property uchar red\nproperty uchar green\n"
                                       "property uchar blue\n") + b"0 0 0 300 0 0\n",
    # STL
    "empty.stl": b"",
    "zeros.stl": bytes(50_000),
    "short.stl": b"tube" * 10,
    "no_facets.stl": b"solid nothing\nendsolid nothing\n",
    "count_less.stl": stl(M - 1),
    "count_more.stl": stl(M + 1),
    "count_all_ones.stl": stl(2**32 - 1),
    "count_hundred_million.stl": stl(100_000_000),
    "cut.stl": stl(facets=M // 2),
    "not_a_number.stl": stl(points=changed(POINTS, 7, 1, np.nan)),
    "absurd.stl": stl(points=changed(POINTS, 7, 1, 1e30)),
    "cut_ascii.stl": ascii_stl()[: 30 * M],
    "cut_between.stl": ascii_stl().rsplit(b"endsolid", 1)[0],
    "missing_vertex.stl": ascii_stl().replace(b"  vertex", b"", 1),
    "two_coordinates.stl": b"solid x\nfacet normal 0 0 0\nouter loop\nvertex 0 0\nvertex 1 0 0\nvertex 0 1 0\n"
    b"endloop\nendfacet\nendsolid x\n",
    "ascii_decimal_commas.stl": ascii_stl().replace(b".", b","),
    "utf16.stl": ascii_stl().decode().encode("utf-16"),
    # OBJ
    "junk.obj": _JUNK,
    "letters.obj": _LETTERS,
    "faces_only.obj": obj(points=""),
    "out_of_range.obj": obj(faces="f 1 2 401\n"),
    "two_billion.obj": obj(faces="f 1 2 2000000000\n"),
    "beyond_64_bits.obj": obj(faces="f 1 2 99999999999999999999999\n"),
    "zero.obj": obj(faces="f 0 1 2\n"),
    "negative_out_of_range.obj": obj(faces="f -401 -1 -2\n"),
    "two_corners.obj": obj(faces="f 1 2\n"),
    "corner_without_point.obj": obj(faces="f /1 2/2 3/3 4/4\n"),
    "fraction.obj": obj(faces="f 1.5 2 3\n"),
    "short_point.obj": obj(points=rows(POINTS, start="v ") + "v 1.0 2.0\n"),
    "word.obj": obj(points=rows(POINTS, start="v ") + "v 1.0 two 3.0\n"),
    "decimal_commas.obj": obj(points=rows(POINTS, start="v ").replace(".", ",")),
    "not_a_number.obj": obj(points=rows(POINTS, start="v ") + "v 1.0 nan 3.0\n"),
    "cut.obj": obj()[:-4],
    # PCD
    "empty.pcd": b"",
    "no_data_line.pcd": pcd("ascii").split(b"DATA")[0],
    "width_negative.pcd": pcd("binary", width=-N),
    "width_two_billion.pcd": pcd("binary", width=2_000_000_000),
    "width_unlike_points.pcd": pcd("binary", width=N - 1, points=N),
    "width_more.pcd": pcd("binary", width=N + 1),
    "width_less.pcd": pcd("binary", width=N - 1),
    "width_more_ascii.pcd": pcd("ascii", width=N + 1),
    "width_product.pcd": pcd("binary", width=10**11, height=10**11, points=10**12),
    "size_of_eight.pcd": pcd("binary", size="8 8 8"),
    "size_of_three.pcd": pcd("binary", size="3 3 3"),
    "sizes_too_few.pcd": pcd("binary", size="4 4"),
    "no_z.pcd": pcd("binary", fields="x y w"),
    "doubled_field.pcd": pcd("binary", fields="x y x"),
    "unknown_data.pcd": pcd("zipped"),
    "not_a_number.pcd": pcd("binary", body=vertex_bytes(changed(POINTS, 7, 1, np.nan))),
    "compressed_junk.pcd": pcd("binary_compressed", body=packed(_JUNK[:5000])),
    "compressed_short.pcd": pcd("binary_compressed", body=packed(lzf_literals(_PCD_COLUMNS)[:-1])),
    "compressed_says_more.pcd": pcd("binary_compressed", body=packed(lzf_literals(_PCD_COLUMNS), 2**31)),
    "compressed_says_larger.pcd": pcd("binary_compressed", body=packed(lzf_literals(_PCD_COLUMNS), None, 2**32 - 1)),
    "compressed_bomb.pcd": pcd("binary_compressed", 99_000_000, body=packed(b"\xff" * 30_000, None, 1_188_000_000)),
    "compressed_before_start.pcd": pcd("binary_compressed", body=packed(b"\xff\xff\xff" * 1_000)),
    # Text
    "empty.xyz": b"",
    "blank.xyz": b" \n\n  \n",
    "junk.xyz": _JUNK,
    "letters.xyz": b"".join(b"lorem ipsum %d\n" % k for k in range(300)),
    "two_columns.xyz": rows(POINTS[:, :2]).encode(),
    "mixed_columns.xyz": b"".join([*_LINES[:50], b"1.0 2.0\n", *_LINES[51:]]),
    "word.xyz": b"".join([*_LINES[:50], b"1.0 two 3.0\n", *_LINES[51:]]),
    "count_wrong.xyz": f"{N + 1}\n".encode() + _XYZ,
    "commas_either_way.xyz": b"1,5,2,5,3,5\n" * 9,
    "thousands.xyz": b"1,234.5 2,345.6 3,456.7\n" * 9,
    "blank_thousands.txt": b"1 234.5;2 345.6;3 456.7\n" * 9,
    "commas_of_both_kinds.xyz": b"1,5, 2,5, 3,5\n" * 9,
    "some_decimal_commas.xyz": b"1,5 2 3,5\n1,5 2,5 3,5\n" * 9,
    "empty_field.txt": b"1.5;;3.5\n" * 9,
    "not_a_number.xyz": b"".join([*_LINES[:50], b"1.0 nan 3.0\n", *_LINES[51:]]),
    "overflow.xyz": b"".join([*_LINES[:50], b"1.0 1e999 3.0\n", *_LINES[51:]]),
    "zero_bytes.xyz": bytes(5_000),
    "utf16.xyz": _XYZ.decode().encode("utf-16"),
    "no_format.stp": b"ISO-10303-21;\n",
}  # fmt: skip


def write_all(folder: Path) -> None:
    """Every file of both tables, and what is no file at all: those begin with ``odd_``."""
    for kind, table in (("sound", SOUND), ("broken", BROKEN)):
        (folder / kind).mkdir()
        for name, data in table.items():
            (folder / kind / name).write_bytes(data)
    odd = folder / "broken"
    (odd / "odd_folder.ply").mkdir()
    os.mkfifo(odd / "odd_pipe.ply")
    (odd / "odd_link.ply").symlink_to(folder / "sound" / "binary.ply")
    (odd / "odd_dangling.ply").symlink_to(folder / "nowhere.ply")
    (odd / "odd_device.ply").symlink_to("/dev/zero")
    for name in ("odd_sparse.ply", "odd_sparse.xyz", "odd_sparse.stl", "odd_sparse_huge.obj"):
        with (odd / name).open("wb") as file:  # large, but made of nothing
            file.truncate(2**40 if "huge" in name else 4 * 1024**3)
