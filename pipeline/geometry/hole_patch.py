"""Making patches: triangulated, refined, bent to carry on the surface around them.

Most patches are small, and all of them are made at once: laid side by side they are one mesh whose pieces have no
vertex in common.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.hole_fairing import faired, stretched
from pipeline.geometry.hole_refinement import Pieces, flipped, refined
from pipeline.geometry.hole_rim import Rim
from pipeline.geometry.holes import Opening
from pipeline.part import BoolArray, ColourArray, FloatArray, IndexArray, Mesh

PASSES = 3
"""The bending weights depend on the patch's shape: this many times solved, weighted by the shape before."""


class Shape(Enum):
    """How a patch is shaped, best first."""

    SMOOTH = "carries on the surface around with its tangents"
    TIGHT = "as smooth, begun from the triangles of the smallest area"
    PLAIN = "a membrane over the rim, in triangles as small as those around"
    BARE = "triangles between the rim's vertices only, of the smallest area"
    FOLDED = "triangles between the rim's vertices only, that go on as the faces around do"


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A patch for one hole.

    Attributes
    ----------
    rim : (n,) the mesh's vertices that it hangs on
    inner : (k, 3) new vertices, mm
    faces : (m, 3) numbers below n mean ``rim``, n + i means ``inner[i]``
    colours : (k, 3) uint8, or None
    """

    rim: IndexArray
    inner: FloatArray
    faces: IndexArray
    colours: ColourArray | None


def make_patches(mesh: Mesh, rims: Sequence[Rim], shape: Shape = Shape.SMOOTH) -> list[Patch | None]:
    """The patch for each hole, or None where its rim cannot be triangulated without a doubled edge."""
    triangles = [rim.triangles(by_area=shape not in (Shape.SMOOTH, Shape.FOLDED)) for rim in rims]
    made: list[Patch | None] = [None] * len(rims)
    closed = [number for number, faces in enumerate(triangles) if faces is not None]
    if not closed:
        return made
    there = [rims[number] for number in closed]
    pieces = _side_by_side(there, [faces for faces in triangles if faces is not None])
    if shape not in (Shape.BARE, Shape.FOLDED):
        pieces = refined(pieces, np.concatenate([rim.size for rim in there]))
        plain = [shape is Shape.PLAIN or rim.hole.kind is Opening.CORNER for rim in there]
        pieces = _bent(mesh, there, pieces, np.array(plain)[pieces.piece])
    for number, patch in zip(closed, _taken_apart(there, pieces, _colours(mesh, there, pieces)), strict=True):
        made[number] = patch
    return made


def _side_by_side(rims: Sequence[Rim], triangles: Sequence[IndexArray]) -> Pieces:
    first = _first([len(rim.vertices) for rim in rims])
    taken = [np.argwhere(np.triu(rim.taken)) + begin for rim, begin in zip(rims, first, strict=True)]
    return Pieces(
        vertices=np.concatenate([rim.places for rim in rims]),
        faces=np.concatenate([faces + begin for faces, begin in zip(triangles, first, strict=True)]),
        piece=np.repeat(np.arange(len(rims)), [len(rim.vertices) for rim in rims]),
        rim_count=sum(len(rim.vertices) for rim in rims),
        taken=np.concatenate(taken),
    )


def _bent(mesh: Mesh, rims: Sequence[Rim], pieces: Pieces, plain: BoolArray) -> Pieces:
    """The vertices off the rims put where the surface around wants them; where ``plain`` (n,) on a membrane."""
    inner = np.arange(len(plain)) >= pieces.rim_count
    if not inner.any():
        return pieces
    outer = mesh.vertices[np.concatenate([rim.outer for rim in rims])]
    ring = _rings(rims, len(plain))
    smooth = np.append(inner & ~plain, np.zeros(len(outer), bool))
    for _ in range(PASSES):
        vertices = pieces.vertices
        if smooth.any():
            both = np.vstack([vertices, outer])
            vertices = faired(both, np.concatenate([pieces.faces, ring]), smooth, both)[: len(vertices)]
        if (inner & plain).any():
            vertices = stretched(pieces.vertices, pieces.faces, inner & plain, vertices)
        pieces = flipped(replace(pieces, vertices=vertices))
    return pieces


def _rings(rims: Sequence[Rim], total: int) -> IndexArray:
    """The faces around all rims; the vertices farther out are numbered from ``total`` on."""
    count = [len(rim.vertices) for rim in rims]
    first, first_outer = _first(count), total + _first([len(rim.outer) for rim in rims])
    return np.concatenate(
        [
            np.where(rim.ring < n, rim.ring + begin, rim.ring - n + begin_outer)
            for rim, n, begin, begin_outer in zip(rims, count, first, first_outer, strict=True)
        ]
    )


def _colours(mesh: Mesh, rims: Sequence[Rim], pieces: Pieces) -> ColourArray | None:
    """(k, 3) of the vertices off the rims, spread from the rims."""
    inner = np.arange(len(pieces.vertices)) >= pieces.rim_count
    if mesh.colours is None or not inner.any():
        return None
    values = np.zeros((len(inner), 3))
    values[~inner] = mesh.colours[np.concatenate([rim.vertices for rim in rims])]
    spread = stretched(pieces.vertices, pieces.faces, inner, values)[inner]
    return np.clip(np.round(spread), 0, 255).astype(np.uint8)


def _taken_apart(rims: Sequence[Rim], pieces: Pieces, colours: ColourArray | None) -> list[Patch]:
    """Each piece as a patch of its own."""
    count = np.array([len(rim.vertices) for rim in rims])
    of_inner, of_face = pieces.piece[pieces.rim_count :], pieces.piece[pieces.faces[:, 0]]
    order = np.argsort(of_inner, kind="stable")
    inner_count = np.bincount(of_inner, minlength=len(rims))
    place = np.empty(len(pieces.piece), np.int32)  # of each vertex in its own patch
    place[: pieces.rim_count] = np.arange(pieces.rim_count) - np.repeat(_first(count), count)
    place[pieces.rim_count + order] = np.arange(len(order)) + np.repeat(count - _first(inner_count), inner_count)
    faces = np.split(
        place[pieces.faces][np.argsort(of_face, kind="stable")], _first(np.bincount(of_face, minlength=len(rims)))[1:]
    )
    inner = np.split(pieces.vertices[pieces.rim_count :][order], _first(inner_count)[1:])
    paint = [None] * len(rims) if colours is None else np.split(colours[order], _first(inner_count)[1:])
    return [Patch(rim.vertices, *parts) for rim, parts in zip(rims, zip(inner, faces, paint, strict=True), strict=True)]


def _first(count: Sequence[int] | NDArray[np.integer[Any]]) -> IndexArray:
    """Where each of several runs of so many begins."""
    first: IndexArray = (np.cumsum(count) - np.asarray(count)).astype(np.int32)
    return first
