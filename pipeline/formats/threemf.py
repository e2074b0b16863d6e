"""3MF core (3MF Consortium, core specification 1.4): one object, written through lib3mf, re-read strictly."""

from __future__ import annotations

import hashlib
import io
import tempfile
import uuid
import zipfile
import zlib
from functools import cache
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np

from pipeline.errors import DeliverableError, MachineError
from pipeline.formats.contents import Contents
from pipeline.formats.source import Source
from pipeline.part import Unit

NAMESPACE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
UNITS: dict[str, Unit] = {"millimeter": "mm", "centimeter": "cm", "meter": "m", "inch": "in"}
_ENUM = {"mm": "MilliMeter", "cm": "CentiMeter", "m": "Meter", "in": "Inch"}
_MODEL = "3D/3dmodel.model"
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest date that a zip file can hold
_DECIMALS = 9


def encode(contents: Contents, *, solid: bool) -> bytes:
    """A 3MF package of one object: a "model" when it is solid (closed, outward), else a "surface".

    The same mesh gives the same bytes: identifiers come from the contents and the archive has no dates.

    Raises
    ------
    DeliverableError
        For a triangle with two equal corners, which the specification forbids.
    """
    assert contents.faces is not None
    assert contents.unit is not None
    if (contents.faces == contents.faces[:, (1, 2, 0)]).any():
        text = "3MF allows no triangle that names a point twice, and the mesh has some."
        raise DeliverableError(text, "Put a watertight-check before export: it takes them out.")
    library, wrapper = _library(), _wrapper()
    model = wrapper.CreateModel()
    model.SetUnit(getattr(library.ModelUnit, _ENUM[contents.unit]))
    item = model.AddMeshObject()
    points = np.ascontiguousarray(contents.points, np.float32)
    faces = np.ascontiguousarray(contents.faces, np.uint32)
    item.SetGeometry(
        (library.Position * len(points)).from_buffer_copy(points),
        (library.Triangle * len(faces)).from_buffer_copy(faces),
    )
    item.SetType(library.ObjectType.Model if solid else library.ObjectType.Surface)
    build = model.AddBuildItem(item, wrapper.GetIdentityTransform())
    digest = hashlib.sha256(points.tobytes() + faces.tobytes()).hexdigest()
    for owner, setter in ((model, "SetBuildUUID"), (item, "SetUUID"), (build, "SetUUID")):
        getattr(owner, setter)(str(uuid.uuid5(uuid.NAMESPACE_OID, f"{type(owner).__name__} {digest}")))
    writer = model.QueryWriter("3mf")
    writer.SetDecimalPrecision(_DECIMALS)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "part.3mf"
        writer.WriteToFile(str(file))
        return _without_dates(file.read_bytes())


def read(source: Source) -> Contents:
    """A 3MF package as this program writes it: one object, built once, not moved.

    Raises
    ------
    CaptureError
        When it is not such a package, or damaged.
    """
    data = source.block(0, source.size).tobytes()
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            if package.getinfo(_MODEL).file_size > source.limits.bytes:
                raise source.error("the model is too large when it is unpacked")
            model = _Model(package.read(_MODEL))
    except (zipfile.BadZipFile, KeyError, ValueError, EOFError, zlib.error, expat.ExpatError) as error:
        raise source.error(f"the 3MF package is damaged or not of one object: {error}") from error
    points = np.array(model.points, np.float64).reshape(-1, 3)
    return Contents(points=points, faces=np.array(model.faces, np.int64).reshape(-1, 3), unit=model.unit)


class _Model:
    """The model part, read element by element; anything but one plainly built mesh is a ValueError."""

    def __init__(self, xml: bytes) -> None:
        self.points: list[float] = []
        self.faces: list[int] = []
        self.unit: Unit | None = None
        self._objects: list[str] = []
        self._items: list[str] = []
        parser = expat.ParserCreate(namespace_separator="|")
        parser.StartElementHandler = self._element
        parser.StartDoctypeDeclHandler = self._doctype
        parser.Parse(xml, True)
        if self.unit is None or len(self._objects) != 1 or self._items != self._objects:
            raise ValueError("it is not one object that is built once")

    def _element(self, tag: str, attributes: dict[str, str]) -> None:
        match tag.removeprefix(f"{NAMESPACE}|"):
            case "vertex":
                self.points += (float(attributes["x"]), float(attributes["y"]), float(attributes["z"]))
            case "triangle":
                self.faces += (int(attributes["v1"]), int(attributes["v2"]), int(attributes["v3"]))
            case "model":
                self.unit = UNITS[attributes.get("unit", "millimeter")]
            case "object":
                self._objects.append(attributes["id"])
            case "item" if "transform" not in attributes:
                self._items.append(attributes["objectid"])
            case "resources" | "mesh" | "vertices" | "triangles" | "build" | "metadata":
                pass
            case other:
                raise ValueError(f"it has an element {other}")

    def _doctype(self, *_: object) -> None:
        raise ValueError("it has a document type")


def _without_dates(archive: bytes) -> bytes:
    """The same package with its parts in a fixed order and at a fixed, valid date."""
    output = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(archive)) as given, zipfile.ZipFile(output, "w") as made:
        for name in sorted(given.namelist()):
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            made.writestr(entry, given.read(name))
    return output.getvalue()


@cache
def _library() -> Any:
    try:
        from lib3mf import Lib3MF
    except (ImportError, OSError) as error:
        raise MachineError(f"lib3mf cannot be loaded: {error}.", "Reinstall the package lib3mf.") from error
    return Lib3MF


@cache
def _wrapper() -> Any:
    import lib3mf

    return lib3mf.get_wrapper()
