"""GLB, the binary form of glTF 2.0 (Khronos; ISO/IEC 12113): one mesh, metres, +Y up."""

from __future__ import annotations

import json
import struct
from typing import Any

import numpy as np

from pipeline.formats.contents import AnyArray, Contents
from pipeline.formats.source import Source
from pipeline.part import FloatArray

MAGIC, VERSION = 0x46546C67, 2
JSON_CHUNK, BINARY_CHUNK = 0x4E4F534A, 0x004E4942
_VERTICES, _INDICES = 34962, 34963  # buffer targets
_TYPES: dict[int, str] = {5121: "u1", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC3": 3, "VEC4": 4}


def encode(contents: Contents) -> bytes:
    """A GLB of triangles with smooth normals and, where there are some, colours.

    glTF wants metres and +Y up (section "Coordinate System and Units"): the unit must be "m" already; the part's
    z axis becomes y and its y axis -z, which is a rotation and mirrors nothing. Bounds are those of the
    numbers as stored ("Accessors Bounds"). Vertex colours are linear, not sRGB ("Meshes", COLOR_0).
    """
    assert contents.faces is not None
    assert contents.unit == "m"
    points = _y_up(contents.points).astype("<f4")
    views: list[tuple[AnyArray, dict[str, Any], int]] = [
        (contents.faces.astype("<u4").reshape(-1), {"componentType": 5125, "type": "SCALAR"}, _INDICES),
        (points, {"componentType": 5126, "type": "VEC3", **_bounds(points)}, _VERTICES),
        (vertex_normals(points, contents.faces), {"componentType": 5126, "type": "VEC3"}, _VERTICES),
    ]
    attributes = {"POSITION": 1, "NORMAL": 2}
    if contents.colours is not None:
        attributes["COLOR_0"] = 3
        colour = {"componentType": 5123, "type": "VEC4", "normalized": True}
        views.append((_linear(contents.colours), colour, _VERTICES))
    blocks = [values.tobytes() for values, _, _ in views]
    starts = np.cumsum([0, *map(len, blocks)]).tolist()
    document = {
        "asset": {"version": "2.0", "generator": "nightmill"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": attributes, "indices": 0, "material": 0}]}],
        "materials": [{"pbrMetallicRoughness": {"metallicFactor": 0.0, "roughnessFactor": 0.8}, "doubleSided": True}],
        "accessors": [{"bufferView": k, "count": len(view[0]), **view[1]} for k, view in enumerate(views)],
        "bufferViews": [
            {"buffer": 0, "byteOffset": starts[k], "byteLength": len(blocks[k]), "target": view[2]}
            for k, view in enumerate(views)
        ],
        "buffers": [{"byteLength": starts[-1]}],
    }
    text = json.dumps(document, separators=(",", ":")).encode()
    return _container(text, b"".join(blocks))


def read(source: Source) -> Contents:
    """A GLB as this program writes it: one mesh of triangles in its own buffer. In metres, with z up again.

    Raises
    ------
    CaptureError
        When anything is not as the header says, or not of that kind.
    """
    document, binary = _chunks(source)
    try:
        (mesh,) = document["meshes"]
        (primitive,) = mesh["primitives"]
        points = _values(document, primitive["attributes"]["POSITION"], binary)
        index = _values(document, primitive["indices"], binary)
        colour = primitive["attributes"].get("COLOR_0")
        colours = None if colour is None else _srgb(_values(document, colour, binary))
        bounds = document["accessors"][primitive["attributes"]["POSITION"]]
        bounded = _bounds(points) == {key: bounds[key] for key in ("min", "max")}
        faces = index.reshape(-1, 3)
    except (KeyError, ValueError, IndexError, TypeError, AttributeError) as error:
        raise source.error(f"the glTF is not one mesh of triangles: {error!r}") from error
    if not bounded:
        raise source.error("the bounds are not those of the points")
    z_up = np.column_stack([points[:, 0], -points[:, 2].astype(np.float64), points[:, 1]])
    return Contents(points=z_up, faces=faces, colours=colours, unit="m")


def vertex_normals(points: AnyArray, faces: AnyArray) -> AnyArray:
    """(n, 3) float32 unit normals: the mean of the faces around each vertex, weighted by area."""
    corners = points.astype(np.float64)[faces]
    face = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    total = np.column_stack(
        [sum(np.bincount(faces[:, c], face[:, k], len(points)) for c in range(3)) for k in range(3)]
    )
    length = np.linalg.norm(total, axis=1)
    total[length == 0] = (0.0, 1.0, 0.0)  # glTF allows no normal without direction
    length[length == 0] = 1.0
    unit: AnyArray = (total / length[:, None]).astype("<f4")
    return unit


def _y_up(points: FloatArray) -> AnyArray:
    return np.column_stack([points[:, 0], points[:, 2], -points[:, 1]])


def _bounds(points: AnyArray) -> dict[str, list[float]]:
    return {"min": points.min(axis=0).astype(float).tolist(), "max": points.max(axis=0).astype(float).tolist()}


def _linear(colours: AnyArray) -> AnyArray:
    """(n, 4) uint16 linear RGBA of (n, 3) uint8 sRGB (IEC 61966-2-1)."""
    s = np.arange(256) / 255.0
    table = np.round(np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4) * 65535)
    opaque = np.full((len(colours), 1), 65535)
    return np.hstack([table[colours], opaque]).astype("<u2")


def _srgb(linear: AnyArray) -> AnyArray:
    """(n, 3) uint8 sRGB of (n, 4) uint16 linear."""
    value = linear[:, :3] / 65535.0
    s = np.where(value <= 0.0031308, value * 12.92, 1.055 * value ** (1 / 2.4) - 0.055)
    return np.round(s * 255).astype(np.uint8)


def _container(text: bytes, binary: bytes) -> bytes:
    """Header and chunks, each a multiple of four bytes long ("Binary glTF Layout")."""
    text, binary = text + b" " * (-len(text) % 4), binary + b"\0" * (-len(binary) % 4)
    size = 12 + 8 + len(text) + 8 + len(binary)
    return b"".join(
        [
            struct.pack("<III", MAGIC, VERSION, size),
            struct.pack("<II", len(text), JSON_CHUNK) + text,
            struct.pack("<II", len(binary), BINARY_CHUNK) + binary,
        ]
    )


def _chunks(source: Source) -> tuple[dict[str, Any], AnyArray]:
    if source.size < 28:
        raise source.error("the file is too short for GLB")
    magic, version, size, length, kind = struct.unpack_from("<5I", source.head)
    if (magic, version, size, kind) != (MAGIC, VERSION, source.size, JSON_CHUNK) or 28 + length > size:
        raise source.error("the header is not one of GLB 2.0, or not of this size")
    rest, second = source.block(20 + length, 8).view("<u4").tolist()
    if second != BINARY_CHUNK or 28 + length + rest != size:
        raise source.error("the second chunk is not binary, or not of its size")
    try:
        document = json.loads(source.block(20, length).tobytes())
    except ValueError as error:
        raise source.error(f"the JSON is damaged: {error}") from error
    return document, source.block(28 + length, rest)


def _values(document: dict[str, Any], number: int, binary: AnyArray) -> AnyArray:
    accessor = document["accessors"][number]
    view = document["bufferViews"][accessor["bufferView"]]
    kind, width = np.dtype(_TYPES[accessor["componentType"]]), _WIDTHS[accessor["type"]]
    start, size = view["byteOffset"], accessor["count"] * width * kind.itemsize
    if start < 0 or size != view["byteLength"] or start + size > len(binary):
        raise ValueError(f"accessor {number} lies outside its buffer")
    values: AnyArray = binary[start : start + size].view(kind)
    return values.reshape(-1, width) if width > 1 else values
