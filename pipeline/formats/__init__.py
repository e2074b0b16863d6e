"""Read captures, write deliverables. Files are never handed to a library: only checked arrays are."""

from __future__ import annotations

from pipeline.formats.reading import CAPTURE_SUFFIXES, read_capture
from pipeline.formats.source import ReadLimits
from pipeline.formats.writing import MeshFormat, read_mesh, write_mesh, write_points

__all__ = ["CAPTURE_SUFFIXES", "MeshFormat", "ReadLimits", "read_capture", "read_mesh", "write_mesh", "write_points"]
