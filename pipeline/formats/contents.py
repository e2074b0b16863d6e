"""What a file holds, before anybody relies on it, and the checks that every format's contents must pass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.source import Source
from pipeline.part import BoolArray, ColourArray, FloatArray, NormalArray, Unit

AnyArray = NDArray[Any]
LARGEST = 1e9
"""Coordinates beyond this are damage, whatever the unit."""


@dataclass(frozen=True, eq=False, slots=True)
class Contents:
    """Arrays as they stand in a file, in the file's own unit.

    ``faces`` may be of any integer type and is not yet known to be in range; ``unit`` is None where the
    format does not say; ``filled`` is there only in files that this program wrote.
    """

    points: FloatArray
    normals: AnyArray | None = None
    colours: ColourArray | None = None
    faces: AnyArray | None = None
    filled: BoolArray | None = None
    unit: Unit | None = None


def contents_of(source: Source, reader: Callable[[Source], Contents]) -> Contents:
    """What a reader finds in a file, checked."""
    with np.errstate(all="ignore"):  # numbers that a type cannot hold are found by the checks
        return _checked(reader(source), source)


def _checked(contents: Contents, source: Source) -> Contents:
    """The contents when every number in them can be used.

    Normals are brought to unit length; when one has no direction, all are dropped (they are estimated anew
    later, which is better than a mixture).

    Raises
    ------
    CaptureError
        No points, too many, a coordinate that is not finite or absurd, a face that names a point that is not there.
    """
    points, faces = contents.points, contents.faces
    if len(points) == 0:
        raise source.error("there are no points in it")
    source.refuse_count(len(points))
    reach = np.abs(points).max()
    if not reach <= LARGEST:  # also true for NaN
        row = int(np.argmax(~(np.abs(points) <= LARGEST).all(axis=1)))
        values = " ".join(f"{value:g}" for value in points[row])
        raise source.error(f"point {row + 1} of {len(points)} is at {values}, which is no place")
    if faces is not None and len(faces) == 0:
        contents = replace(contents, faces=None)
    elif faces is not None:
        if faces.min() < 0 or faces.max() >= len(points):
            row = int(np.argmax(((faces < 0) | (faces >= len(points))).any(axis=1)))
            text = f"triangle {row + 1} names point {faces[row].tolist()} (from 0), there are {len(points)} points"
            raise source.error(text)
        contents = replace(contents, faces=faces.astype(np.int32, copy=False))
    return replace(contents, normals=_unit_normals(contents.normals))


def _unit_normals(normals: AnyArray | None) -> NormalArray | None:
    """(n, 3) normals at unit length, or None when any has no direction."""
    if normals is None:
        return None
    wide = normals.astype(np.float32, copy=False)
    length = np.sqrt(np.einsum("ij,ij->i", wide, wide))
    if not (np.isfinite(length) & (length > 1e-6)).all():
        return None
    unit: NormalArray = wide / length[:, None]
    return unit


def colours_from(channels: AnyArray, source: Source) -> ColourArray:
    """(n, 3) uint8 from bytes, 16-bit numbers, or fractions of 1."""
    if channels.dtype == np.uint8:
        return channels
    if channels.dtype == np.uint16:
        return ((channels.astype(np.uint32) + 128) // 257).astype(np.uint8)
    top = 1.0 if channels.dtype.kind == "f" else 255.0
    if not ((channels >= 0) & (channels <= top)).all():
        raise source.error(f"there are colours outside 0 to {top:g}")
    return np.round(channels * (255.0 / top)).astype(np.uint8)


def fan(counts: AnyArray, corners: AnyArray) -> tuple[AnyArray, AnyArray]:
    """Triangles of polygons, each from the polygon's first corner.

    Parameters
    ----------
    counts : (n,) corners of each polygon, all at least 3
    corners : (sum of counts,) indices

    Returns
    -------
    (m, 3) triangles and (m,) the polygon each came from.
    """
    if (counts == 3).all():
        return corners.reshape(-1, 3), np.arange(len(counts))
    triangles = counts - 2
    polygon = np.repeat(np.arange(len(counts)), triangles)
    first = np.repeat(np.cumsum(counts) - counts, triangles)
    step = np.arange(len(polygon)) - np.repeat(np.cumsum(triangles) - triangles, triangles) + 1
    return np.column_stack([corners[first], corners[first + step], corners[first + step + 1]]), polygon
