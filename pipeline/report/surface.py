"""The surface that went to the client, read back in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import NightmillError
from pipeline.formats import read_mesh
from pipeline.manifest import Manifest
from pipeline.part import Mesh

PREFERRED = ("ply", "obj", "stl", "3mf", "glb")
"""The formats that say most of the surface come first: PLY carries which faces are filled."""


@dataclass(frozen=True)
class Surface:
    """A deliverable as a mesh, in the deliverables' frame, millimetres."""

    file: str
    mesh: Mesh


def delivered_surface(folder: Path, manifest: Manifest) -> Surface | None:
    """The first deliverable that can be read; None where none can."""
    rank = {name: k for k, name in enumerate(PREFERRED)}
    for record in sorted(manifest.deliverables, key=lambda d: rank.get(d.format.lower(), len(rank))):
        try:
            return Surface(record.file, read_mesh(folder / record.file, format=record.format, unit=record.unit))
        except (NightmillError, OSError):
            continue
    return None
