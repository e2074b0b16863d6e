"""Deliverables: written beside their place, read back by our own strict readers, compared, and only then there."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np

from pipeline.errors import CaptureError, DeliverableError
from pipeline.formats import gltf, obj, ply, stl, threemf
from pipeline.formats.contents import AnyArray, Contents, contents_of
from pipeline.formats.source import ReadLimits, Source, opened
from pipeline.part import MM_PER_UNIT, ColourArray, Deliverable, FloatArray, Mesh, NormalArray, Unit
from pipeline.storage import sha256_of, sync_folder

MeshFormat = Literal["stl", "ply", "obj", "glb", "3mf"]
READERS: dict[str, Callable[[Source], Contents]] = {
    "stl": stl.read,
    "ply": ply.read,
    "obj": obj.read,
    "glb": gltf.read,
    "3mf": threemf.read,
}
LARGEST_LOSS_MM = 1e-3
"""What 32-bit coordinates may lose; more comes of a part that lies far from the origin."""
_NO_LIMITS = ReadLimits(points=2**31 - 1, bytes=2**40)


def write_mesh(mesh: Mesh, path: Path, *, format: MeshFormat, unit: Unit, watertight: bool) -> Deliverable:
    """Write a deliverable; it appears whole and proven, or not at all.

    Parameters
    ----------
    mesh : millimetres
    path : the file; its folder must be there. A file of that name is replaced.
    format : GLB is always in metres, with +Y up
    unit : the unit of the numbers in the file
    watertight : goes into the account, and decides whether a 3MF object is a solid or a surface

    Raises
    ------
    DeliverableError
        When the mesh cannot be written so without loss, or does not read back as what was meant.
    """
    if format == "glb" and unit != "m":
        raise DeliverableError(f"{path.name}: GLB is always in metres, not in {unit}.", "Leave the unit out.")
    contents = _meant(mesh, path, unit)
    encode = _encoder(format, watertight)
    staged = path.with_name(f".{path.name}.part")
    try:
        _write(staged, encode(contents))
        _compare(_read(staged, format, path), contents, format, path)
        deliverable = Deliverable(
            file=path.name,
            format=format,
            unit=unit,
            bytes=staged.stat().st_size,
            sha256=sha256_of(staged),
            triangles=len(mesh.faces),
            watertight=watertight,
        )
        staged.replace(path)
    finally:
        staged.unlink(missing_ok=True)
    sync_folder(path.parent)
    return deliverable


def read_mesh(path: Path, *, format: str, unit: Unit) -> Mesh:
    """A deliverable as it lies on the disk, back in millimetres and with z up, whatever its unit and axes.

    Raises
    ------
    CaptureError
        When it is damaged or not of that format.
    """
    with opened(path, _NO_LIMITS) as source:
        contents = contents_of(source, READERS[format])
        if contents.faces is None:
            raise source.error("there are no triangles in it")
        if contents.unit not in (None, unit):
            raise source.error(f"it is in {contents.unit}, not in {unit}")
    filled = np.zeros(len(contents.faces), bool) if contents.filled is None else contents.filled
    return Mesh(contents.points * MM_PER_UNIT[unit], contents.faces, filled, contents.colours)


def write_points(
    path: Path,
    points: FloatArray,
    *,
    normals: NormalArray | None = None,
    colours: ColourArray | None = None,
    reason: AnyArray | None = None,
) -> None:
    """Write points (n, 3), millimetres, as binary PLY.

    ``reason`` (n,) small numbers that say why each point was removed, becomes the property ``uchar reason``.
    """
    staged = path.with_name(f".{path.name}.part")
    try:
        _write(staged, ply.encode(Contents(points, normals, colours, unit="mm"), reason=reason))
        staged.replace(path)
    finally:
        staged.unlink(missing_ok=True)
    sync_folder(path.parent)


def _meant(mesh: Mesh, path: Path, unit: Unit) -> Contents:
    """What the file must hold, in its own unit."""
    if len(mesh.faces) == 0:
        raise DeliverableError(f"{path.name}: the mesh has no triangles.", "Look at the stages before export.")
    if not np.isfinite(mesh.vertices).all() or mesh.faces.min() < 0 or mesh.faces.max() >= len(mesh.vertices):
        raise DeliverableError(f"{path.name}: the mesh is damaged.", "This is a defect of the program: report it.")
    points = mesh.vertices / MM_PER_UNIT[unit]
    return Contents(points, colours=mesh.colours, faces=mesh.faces, filled=mesh.filled, unit=unit)


def _encoder(format: MeshFormat, watertight: bool) -> Callable[[Contents], bytes]:
    encoders: dict[str, Callable[[Contents], bytes]] = {
        "stl": stl.encode,
        "ply": ply.encode,
        "obj": obj.encode,
        "glb": gltf.encode,
        "3mf": partial(threemf.encode, solid=watertight),
    }
    return encoders[format]


def _write(staged: Path, data: bytes) -> None:
    staged.unlink(missing_ok=True)
    handle = os.open(staged, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o666)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _read(staged: Path, format: MeshFormat, path: Path) -> Contents:
    try:
        with opened(staged, _NO_LIMITS) as source:
            return contents_of(replace(source, name=path.name), READERS[format])
    except CaptureError as error:
        raise DeliverableError(f"{path.name} did not read back: {error.text}", _REPORT) from error


_REPORT = "Nothing was delivered. Try once more; if it happens again, report it."


def _compare(found: Contents, meant: Contents, format: MeshFormat, path: Path) -> None:
    """What was read against what was meant: unit, flags, colours, and every triangle corner by corner in its order,
    which settles count, size and orientation as well."""
    assert meant.faces is not None
    assert meant.unit is not None

    def refuse(text: str) -> DeliverableError:
        return DeliverableError(f"{path.name} did not read back as written: {text}.", _REPORT)

    if found.unit not in (None, meant.unit):
        raise refuse(f"it is in {found.unit}, not in {meant.unit}")
    if found.faces is None or len(found.faces) != len(meant.faces):
        raise refuse(f"{0 if found.faces is None else len(found.faces)} triangles instead of {len(meant.faces)}")
    if format != "stl":  # STL has no shared points; its triangles are compared below
        if len(found.points) != len(meant.points) or not np.array_equal(found.faces, meant.faces):
            raise refuse("the triangles join other points")
        if not _same(found.colours, meant.colours) and format != "3mf":
            raise refuse("the colours differ")
    if format == "ply" and not _same(found.filled, meant.filled):
        raise refuse("the flags of filled faces differ")
    read, wanted = found.points[found.faces], meant.points[meant.faces]
    difference = float(np.abs(read - wanted).max())
    loss_mm = difference * MM_PER_UNIT[meant.unit]
    # Single precision explains this much, and the nine decimals of 3MF.
    if difference > 2.0**-23 * float(np.abs(wanted).max()) + 1e-9:
        raise refuse(f"the points differ by {loss_mm:.2g} mm")
    if loss_mm > LARGEST_LOSS_MM:
        text = f"{path.name}: its coordinates lose {loss_mm:.2g} mm in this format, so far from the origin"
        raise DeliverableError(f"{text}.", "Put a datum stage before export, or deliver PLY or OBJ.")


def _same(found: AnyArray | None, meant: AnyArray | None) -> bool:
    return (found is None and meant is None) or (
        found is not None and meant is not None and np.array_equal(found, meant)
    )
