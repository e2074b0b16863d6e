"""All captures' points together, in the part's frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.geometry.cloud import unit
from pipeline.geometry.samples import samples_of
from pipeline.part import Capture, ColourArray, FloatArray, IndexArray, NormalArray, transformed

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
    """The points of all captures; of a mesh its vertices, and points on its large faces."""
    coloured = any(capture.colours is not None for capture in captures)
    points, normals, colours = [], [], []
    for capture in captures:
        if capture.faces is not None and capture.normals is None:
            capture = replace(capture, normals=_vertex_normals(capture.points, capture.faces))
        samples = samples_of(capture)
        points.append(transformed(samples.points, capture.part_from_capture))
        if samples.normals is not None:
            normals.append((samples.normals @ capture.part_from_capture[:3, :3].T).astype(np.float32))
        if coloured:
            grey = np.full((len(capture.points), 3), GREY, np.uint8)
            colours.append(samples.spread(grey if capture.colours is None else capture.colours))
    return Pool(
        np.concatenate(points),
        np.concatenate(normals) if len(normals) == len(points) else None,
        np.concatenate(colours) if coloured else None,
        np.repeat(np.arange(len(points), dtype=np.int32), [len(each) for each in points]),
    )


def joined(*pools: Pool) -> Pool:
    """Several pools as the captures of one; all or none with normals, and so with colours."""

    def together(arrays: list[Any]) -> Any:
        return None if any(array is None for array in arrays) else np.concatenate(arrays)

    counts = [len(pool.points) for pool in pools]
    return Pool(
        np.concatenate([pool.points for pool in pools]),
        together([pool.normals for pool in pools]),
        together([pool.colours for pool in pools]),
        np.repeat(np.arange(len(pools), dtype=np.int32), counts),
    )


def _vertex_normals(points: FloatArray, faces: IndexArray) -> NormalArray:
    corners = points[faces]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    sums = [np.bincount(faces.ravel(), weights=np.repeat(area[:, axis], 3), minlength=len(points)) for axis in range(3)]
    return unit(np.stack(sums, axis=1)).astype(np.float32)
