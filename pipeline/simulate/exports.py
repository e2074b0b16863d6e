"""Files as scanners' own software writes them; deliverables are written elsewhere, by stricter writers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.part import MM_PER_UNIT, Capture, FloatArray, Unit


def export(capture: Capture, folder: Path, unit: Unit = "mm") -> Path:
    """Write a capture under its own name; the name's ending chooses the format: ply, xyz, obj or stl.

    Raises
    ------
    ValueError
        For another ending, or an STL of a capture without faces.
    """
    path = folder / capture.name
    points = capture.points / MM_PER_UNIT[unit]
    writers = {".ply": _ply, ".xyz": _xyz, ".obj": _obj, ".stl": _stl}
    if path.suffix not in writers:
        raise ValueError(f"no export to {path.suffix}")
    path.write_bytes(writers[path.suffix](capture, points))
    return path


def _ply(capture: Capture, points: FloatArray) -> bytes:
    """Binary little-endian, single precision."""
    fields = [(axis, "<f4") for axis in "xyz"]
    if capture.normals is not None:
        fields += [(axis, "<f4") for axis in ("nx", "ny", "nz")]
    if capture.colours is not None:
        fields += [(channel, "u1") for channel in ("red", "green", "blue")]
    table = np.zeros(len(points), fields)
    for names, values in (
        (("x", "y", "z"), points),
        (("nx", "ny", "nz"), capture.normals),
        (("red", "green", "blue"), capture.colours),
    ):
        for column, name in enumerate(names if values is not None else ()):
            table[name] = values[:, column]  # type: ignore[index]  # names is empty when there are no values
    words = {"<f4": "float", "u1": "uchar"}
    header = ["ply", "format binary_little_endian 1.0", "comment simulated", f"element vertex {len(points)}"]
    header += [f"property {words[kind]} {name}" for name, kind in fields]
    body = table.tobytes()
    if capture.faces is not None:
        header += [f"element face {len(capture.faces)}", "property list uchar int vertex_indices"]
        faces = np.zeros(len(capture.faces), [("count", "u1"), ("corners", "<i4", 3)])
        faces["count"], faces["corners"] = 3, capture.faces
        body += faces.tobytes()
    return "\n".join([*header, "end_header", ""]).encode() + body


def _xyz(capture: Capture, points: FloatArray) -> bytes:
    columns = points if capture.normals is None else np.hstack([points, capture.normals])
    return _lines("", columns)


def _obj(capture: Capture, points: FloatArray) -> bytes:
    columns = points if capture.colours is None else np.hstack([points, capture.colours / 255])
    faces = np.zeros((0, 3), np.int32) if capture.faces is None else capture.faces
    return b"# simulated\n" + _lines("v ", columns) + _lines("f ", faces + 1, "%d")


def _stl(capture: Capture, points: FloatArray) -> bytes:
    if capture.faces is None:
        raise ValueError("an STL file holds triangles; this capture has none")
    corners = points[capture.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    triangles = np.zeros(len(corners), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    triangles["normal"], triangles["corners"] = normal, corners
    return b"simulated".ljust(80) + np.uint32(len(corners)).tobytes() + triangles.tobytes()


def _lines(start: str, columns: NDArray[Any], number: str = "%.3f") -> bytes:
    pattern = start + " ".join([number] * columns.shape[1])
    return "".join(pattern % tuple(row) + "\n" for row in columns.tolist()).encode()
