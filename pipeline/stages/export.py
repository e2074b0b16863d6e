"""`export`: the finished mesh as a file for the client; one stage writes one file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import ClassVar, Literal

from pydantic import model_validator

from pipeline.errors import UsageError
from pipeline.formats import MeshFormat, read_mesh, write_mesh
from pipeline.geometry.topology import inspect_mesh
from pipeline.part import Deliverable, Form, Part, Unit, transformed
from pipeline.stage import Measure, Stage, StageContext

LONGEST_NAME = 100


class Export(Stage):
    """Writes the mesh, reads it back, compares, and only then counts it as delivered."""

    takes: ClassVar[Form] = "mesh"
    gives: ClassVar[Form] = "mesh"
    alters: ClassVar[bool] = False
    finishing: ClassVar[bool] = True
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "triangles_count": Measure("count", "triangles in the file"),
            "bytes_count": Measure("count", "size of the file"),
            "filled_count": Measure("count", "triangles in the file whose surface was never measured"),
        }
    )

    stage: Literal["export"] = "export"
    format: MeshFormat = "stl"
    """The file format. STL has no unit, colours or flags; PLY says face by face what was never measured; OBJ has
    colours; GLB has colours, is in metres and has +Y up; 3MF says its unit."""
    unit: Unit | None = None
    """The unit of the numbers in the file: mm unless said otherwise. GLB is always in metres."""
    name: str | None = None
    """The file's name without its ending; the part's name where none is given. Letters, digits, ``-``, ``_``, ``.``."""

    @model_validator(mode="after")
    def _check(self) -> Export:
        if self.format == "glb" and self.unit not in (None, "m"):
            raise ValueError(f"GLB is always in metres: leave unit out, or give m instead of {self.unit}")
        if self.name is not None and (self.name != safe_name(self.name) or len(self.name) > LONGEST_NAME):
            raise ValueError("name may only have letters, digits, '-', '_' and '.', and not begin with a point")
        return self

    def run(self, part: Part, context: StageContext) -> Part:
        mesh = part.mesh
        file = f"{self.name or safe_name(part.name)}.{self.format}"
        if any(each.file == file for each in part.deliverables):
            raise UsageError(f"Two export stages write {file}.", "Give one of them another name.")
        if mesh is None or len(mesh.faces) == 0:
            raise UsageError(f"{file} was not written: there is no surface to export.", "Put meshing before export.")
        moved = replace(mesh, vertices=transformed(mesh.vertices, part.deliverable_from_part))
        watertight = inspect_mesh(moved).watertight
        unit: Unit = self.unit or ("m" if self.format == "glb" else "mm")
        written = write_mesh(moved, context.folder / file, format=self.format, unit=unit, watertight=watertight)
        if self.format == "stl" and watertight and not _closed(written, context):
            written = replace(written, watertight=False)
            context.doubt(
                "stl-not-closed",
                f"{file} is not closed, though the surface is: STL joins points that lie too close together.",
                "Deliver 3MF or PLY, or decimate first.",
            )
        context.measure("triangles_count", written.triangles)
        context.measure("bytes_count", written.bytes)
        context.measure("filled_count", int(mesh.filled.sum()))
        return replace(part, deliverables=(*part.deliverables, written))


def safe_name(text: str) -> str:
    """A file name without anything that a shell, a folder or another system could take amiss."""
    return re.sub(r"[^\w.-]+", "-", text).strip(".-")[:LONGEST_NAME].strip(".-") or "part"


def _closed(written: Deliverable, context: StageContext) -> bool:
    """Whether every edge in the file as it lies there belongs to two faces that agree; pieces may touch in a point."""
    report = inspect_mesh(read_mesh(context.folder / written.file, format=written.format, unit=written.unit))
    return report.boundary_edges == report.nonmanifold_edges == report.misoriented_edges == 0
