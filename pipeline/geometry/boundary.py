"""The borders of an open mesh, as ordered loops of vertices."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.edges import Edges, corner_fans, edges_of, following, touching
from pipeline.part import BoolArray, IndexArray, LongArray

TAG_BITS = 40
"""Bits of the numbers that stand for vertices: sums of thousands of them are exact in 64-bit floats."""


def boundary_loops(faces: IndexArray, edges: Edges | None = None, fans: IndexArray | None = None) -> list[IndexArray]:
    """The borders of a mesh.

    Each loop runs along the half-edges of the faces beside it (surface on its left seen from outside), so a
    patch that fills it must run against it. Two borders that touch in one vertex are two loops, for a loop is
    followed from fan to fan and not from vertex to vertex. Where the faces at a border are not oriented
    alike, the loop follows one of the two directions.

    Parameters
    ----------
    faces : (m, 3), no face naming a vertex twice
    edges, fans : of the same faces, when there are any already

    Returns
    -------
    One array of vertices a loop, in order, the first not repeated; longest loop first.
    """
    halves = open_halves(faces) if edges is None else edges.boundary_halves
    if len(halves) == 0:
        return []
    if fans is None:  # only those about the border are asked for
        about, fans = fans_at_border(faces, on_border(faces, halves, int(faces.max()) + 1))
        halves = 3 * (np.cumsum(about) - 1)[halves // 3] + halves % 3
        faces = faces[about]
    ends = following(halves)
    starts_at, ends_at = fans[halves].tolist(), fans[ends].tolist()
    vertex_of_fan = dict(zip(starts_at + ends_at, faces.reshape(-1)[np.append(halves, ends)].tolist(), strict=True))
    loops = [
        np.array([vertex_of_fan[fan] for fan in loop], np.int32)
        for loop in _walk(list(zip(starts_at, ends_at, strict=True)))
    ]
    return sorted(loops, key=lambda loop: (-len(loop), int(loop.min())))


def open_halves(faces: IndexArray) -> LongArray:
    """Half-edges of faces (m, 3) whose edge has no other face, in the order of their edges.

    Only the faces at vertices that may lie on a border are looked at: of a large mesh these are few.
    """
    if len(faces) == 0:
        return np.zeros(0, np.int64)
    suspects = _unpaired(faces)
    about = np.flatnonzero(touching(faces, suspects))
    near = faces[about]
    halves = edges_of(near).boundary_halves
    flat = near.reshape(-1)
    halves = halves[suspects[flat[halves]] & suspects[flat[following(halves)]]]
    return 3 * about[halves // 3] + halves % 3


def on_border(faces: IndexArray, halves: LongArray, vertices_count: int) -> BoolArray:
    """(n,) whether each vertex lies on one of the open half-edges."""
    border = np.zeros(vertices_count, bool)
    border[faces.reshape(-1)[np.append(halves, following(halves))]] = True
    return border


def _unpaired(faces: IndexArray) -> BoolArray:
    """(n,) vertices at an edge along which not as many faces run one way as the other: those on a border, and others.

    At each vertex the faces' next corners are taken less those before, as random numbers that stand for them. Where
    each edge is paired nothing is left.
    """
    a, b, c = np.ascontiguousarray(faces.T)
    count = int(faces.max()) + 1
    tag = np.random.default_rng(0).integers(1 << TAG_BITS, size=count).astype(float)
    left = np.zeros(count)
    for here, after, before in ((a, b, c), (b, c, a), (c, a, b)):
        left += np.bincount(here, tag[after] - tag[before], count)
    unpaired: BoolArray = left != 0
    return unpaired


def fans_at_border(faces: IndexArray, border: BoolArray) -> tuple[BoolArray, IndexArray]:
    """(m,) faces that touch the border (n,), and the fans of their corners: whole ones at the border alone."""
    about = touching(faces, border)
    near = faces[about]
    return about, corner_fans(near, edges_of(near))


def _walk(links: list[tuple[int, int]]) -> list[list[int]]:
    """Closed walks that use every link once, along its direction where possible."""
    leaving: dict[int, list[int]] = {}
    arriving: dict[int, list[int]] = {}
    for number, (begin, end) in enumerate(links):
        leaving.setdefault(begin, []).append(number)
        arriving.setdefault(end, []).append(number)
    used = [False] * len(links)
    loops = []
    for number, (begin, end) in enumerate(links):
        if used[number]:
            continue
        used[number] = True
        loop, here = [begin], end
        while here != begin:
            loop.append(here)
            onward = _unused(leaving.get(here, []), used)
            if onward is not None:
                here = links[onward][1]
            else:
                onward = _unused(arriving.get(here, []), used)
                if onward is None:
                    break  # a border that runs into an edge of many faces has no other end
                here = links[onward][0]
            used[onward] = True
        loops.append(loop)
    return loops


def _unused(candidates: list[int], used: list[bool]) -> int | None:
    return next((number for number in candidates if not used[number]), None)
