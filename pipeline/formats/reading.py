"""Captures from files: the format by the name's ending, everything checked before it is believed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pipeline.errors import CaptureError
from pipeline.formats import obj, pcd, ply, stl, text
from pipeline.formats.contents import LARGEST, Contents, contents_of
from pipeline.formats.source import ReadLimits, Source, opened, printable
from pipeline.part import Capture

READERS: dict[str, Callable[[Source], Contents]] = {
    ".ply": ply.read,
    ".stl": stl.read,
    ".obj": obj.read,
    ".pcd": pcd.read,
    ".xyz": text.read,
    ".txt": text.read,
    ".asc": text.read,
}
CAPTURE_SUFFIXES = frozenset(READERS)


def read_capture(path: Path, *, mm_per_unit: float = 1.0, limits: ReadLimits | None = None) -> Capture:
    """Read one exported file.

    Parameters
    ----------
    path : its name's ending, in capitals or not, says the format
    mm_per_unit : millimetres in one unit of the file
    limits : the most points and bytes it may have

    Returns
    -------
    A capture named like the file, in millimetres, with its normals (unit length), colours and triangles.

    Raises
    ------
    CaptureError
        One line: the file, what is wrong with it, where, and what to do.
    """
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        kinds = " ".join(sorted(CAPTURE_SUFFIXES))
        raise CaptureError(f"{printable(path.name)}: is of no known format.", f"Export it as one of: {kinds}.")
    with opened(path, limits or ReadLimits()) as source:
        contents = contents_of(source, reader)
        points = contents.points if mm_per_unit == 1.0 else contents.points * mm_per_unit
        if abs(points).max() > LARGEST:
            raise source.error("the points lie absurdly far away", remedy="Check the unit in the ticket.")
    return Capture(path.name, points, contents.normals, contents.colours, contents.faces)
