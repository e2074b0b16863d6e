"""All captures' points together, in the part's frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.cloud import unit
from pipeline.part import Capture, ColourArray, FloatArray, IndexArray, NormalArray

GREY = 128


@dataclass(frozen=True, eq=False, slots=True)
class Pool:
    """Points in the part's frame.

    Attributes
    ----------
    points : (n, 3), millimetres
    normals : (n, 3), or None when a capture has neither normals nor faces
    colours : (n, 3), or None when no capture has any; points of a capture without are grey
    owner : (n,) number of the capture each point comes from
    """

    points: FloatArray
    normals: NormalArray | None
    colours: ColourArray | None
    owner: IndexArray


def pooled(captures: Sequence[Capture]) -> Pool:
    """The points of all captures; a capture that is a mesh gives its vertices with its faces' normals."""
    normals = [_normals(capture) for capture in captures]
    coloured = any(capture.colours is not None for capture in captures)
    paint = [
        capture.colours if capture.colours is not None else np.full((len(capture.points), 3), GREY, np.uint8)
        for capture in captures
    ]
    return Pool(
        np.concatenate([capture.points_in_part() for capture in captures]),
        None if any(each is None for each in normals) else np.concatenate([n for n in normals if n is not None]),
        np.concatenate(paint) if coloured else None,
        np.repeat(np.arange(len(captures), dtype=np.int32), [len(capture.points) for capture in captures]),
    )


def _normals(capture: Capture) -> NormalArray | None:
    if capture.normals is not None or capture.faces is None:
        return capture.normals_in_part()
    corners = capture.points_in_part()[capture.faces]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    sums = np.zeros((len(capture.points), 3))
    for axis in range(3):
        for k in range(3):
            sums[:, axis] += np.bincount(capture.faces[:, k], weights=area[:, axis], minlength=len(sums))
    return unit(sums).astype(np.float32)
