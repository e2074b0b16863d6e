"""PLY, the polygon file format (Turk 1994): ascii and both binary orders; read strictly, written little-endian."""

from __future__ import annotations

import numpy as np

from pipeline.formats.contents import AnyArray, Contents, colours_from, fan
from pipeline.formats.ply_body import Columns, Ragged, read_elements
from pipeline.formats.ply_header import read_header
from pipeline.formats.source import Source
from pipeline.part import FloatArray

XYZ, NORMAL = ("x", "y", "z"), ("nx", "ny", "nz")
COLOURS = (("red", "green", "blue"), ("diffuse_red", "diffuse_green", "diffuse_blue"), ("r", "g", "b"))


def read(source: Source) -> Contents:
    """Points, normals, colours and triangles; polygons are cut into fans, everything else is passed over."""
    header = read_header(source)
    elements = read_elements(header, source)
    if "vertex" not in elements:
        raise source.error("there is no element 'vertex' in it")
    vertex, face = elements["vertex"], elements.get("face", {})
    points = _columns(vertex, XYZ, np.float64)
    if points is None:
        raise source.error("the vertices have no x, y and z")
    faces, filled = _faces(face, source)
    return Contents(
        points=points,
        normals=_columns(vertex, NORMAL, np.float32),
        colours=_colours(vertex, source),
        faces=faces,
        filled=filled,
    )


def _columns(columns: Columns, names: tuple[str, ...], dtype: type | None = None) -> AnyArray | None:
    found = [columns[name] for name in names if name in columns]
    arrays = [each for each in found if not isinstance(each, Ragged)]
    if len(arrays) != len(names):
        return None
    table = np.empty((len(arrays[0]), len(names)), dtype or arrays[0].dtype)
    for k, values in enumerate(arrays):
        table[:, k] = values
    return table


def _colours(vertex: Columns, source: Source) -> AnyArray | None:
    for names in COLOURS:
        channels = _columns(vertex, names)
        if channels is None:
            continue
        return colours_from(channels, source)
    return None


def _faces(face: Columns, source: Source) -> tuple[AnyArray | None, AnyArray | None]:
    corners = face.get("vertex_indices", face.get("vertex_index"))
    if not isinstance(corners, Ragged) or len(corners.counts) == 0:
        return None, None
    if (corners.counts < 3).any():
        row = int(np.argmax(corners.counts < 3))
        raise source.error(f"face {row + 1} has {corners.counts[row]} corners")
    index = corners.values
    if index.dtype.kind == "f":
        if not (np.abs(index) < 2**53).all() or not (index == np.floor(index)).all():
            raise source.error("there are faces whose corners are not whole numbers")
        index = index.astype(np.int64)
    faces, polygon = fan(corners.counts, index)
    flags = face.get("filled")
    return faces, None if flags is None or isinstance(flags, Ragged) else np.asarray(flags)[polygon] != 0


def encode(contents: Contents, *, reason: AnyArray | None = None) -> bytes:
    """Binary little-endian PLY of a mesh or, without faces, of a cloud.

    Coordinates are floats where that loses less than a millionth of the extent, else doubles. Faces carry
    ``uchar filled``: 1 where the surface was never measured.
    """
    vertex: list[tuple[str, str, AnyArray]] = [
        (axis, _float_for(contents.points), contents.points[:, k]) for k, axis in enumerate(XYZ)
    ]
    if contents.normals is not None:
        vertex += [(axis, "<f4", contents.normals[:, k]) for k, axis in enumerate(NORMAL)]
    if contents.colours is not None:
        vertex += [(channel, "u1", contents.colours[:, k]) for k, channel in enumerate(COLOURS[0])]
    if reason is not None:
        vertex.append(("reason", "u1", reason))
    header = [b"ply", b"format binary_little_endian 1.0", f"comment nightmill, unit {contents.unit}".encode()]
    header += _element_lines("vertex", vertex)
    blocks = [_packed(vertex)]
    if contents.faces is not None:
        filled = np.zeros(len(contents.faces), bool) if contents.filled is None else contents.filled
        faces = np.empty(len(filled), [("count", "u1"), ("corners", "<i4", 3), ("filled", "u1")])
        faces["count"], faces["corners"], faces["filled"] = 3, contents.faces, filled
        header += [f"element face {len(faces)}".encode(), b"property list uchar int vertex_indices"]
        header += [b"property uchar filled"]
        blocks.append(faces.tobytes())
    return b"\n".join([*header, b"end_header", b""]) + b"".join(blocks)


def _element_lines(name: str, columns: list[tuple[str, str, AnyArray]]) -> list[bytes]:
    """Header lines of an element without lists; ``columns`` are (property, numpy type, values)."""
    words = {"<f4": "float", "<f8": "double", "u1": "uchar"}
    lines = [f"element {name} {len(columns[0][2])}", *(f"property {words[kind]} {key}" for key, kind, _ in columns)]
    return [line.encode() for line in lines]


def _packed(columns: list[tuple[str, str, AnyArray]]) -> bytes:
    """The rows of an element without lists."""
    table = np.empty(len(columns[0][2]), [(key, kind) for key, kind, _ in columns])
    for key, _, values in columns:
        table[key] = values
    return table.tobytes()


def _float_for(points: FloatArray) -> str:
    """The narrowest type that loses less than a millionth of the extent."""
    extent = float(np.ptp(points, axis=0).max()) if len(points) else 0.0
    loss = float(np.abs(points.astype(np.float32) - points).max(initial=0.0))
    return "<f4" if loss <= 1e-6 * extent else "<f8"
