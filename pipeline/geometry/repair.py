"""Mending a mesh without inventing surface: what is counted by ``topology`` and can be put right in place."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.boundary import fans_at_border, on_border, open_halves
from pipeline.geometry.edges import connected, corner_fans, edges_of, face_components, touching
from pipeline.geometry.topology import degenerate_faces, faces_alike, inspect
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh

PASSES = 10
FEWEST_FACES = 12
"""A piece of fewer faces is a crumb."""
NEEDLE = 1e-6
"""A degenerate face whose shortest side is below this times its longest is a needle, others are caps."""
APART = 0.002
"""Copies of one vertex are moved so much of the way to the middle of their own faces: far less than any tolerance, far
more than numbers of 32 bits lose."""


def without_faces(mesh: Mesh, drop: BoolArray) -> Mesh:
    """The mesh without some faces (m,) and without vertices that no face uses."""
    return used_only(replace(mesh, faces=mesh.faces[~drop], filled=mesh.filled[~drop]))


def together(one: Mesh, other: Mesh) -> Mesh:
    """Both meshes as one, the first one's vertices and faces first; coloured where both are."""
    return Mesh(
        np.concatenate([one.vertices, other.vertices]),
        np.concatenate([one.faces, other.faces + np.int32(len(one.vertices))]),
        np.concatenate([one.filled, other.filled]),
        None if one.colours is None or other.colours is None else np.concatenate([one.colours, other.colours]),
    )


def used_only(mesh: Mesh) -> Mesh:
    """The mesh without vertices that no face uses."""
    used = np.zeros(len(mesh.vertices), bool)
    used[mesh.faces] = True
    if used.all():
        return mesh
    position = np.cumsum(used, dtype=np.int32) - 1
    colours = None if mesh.colours is None else mesh.colours[used]
    return replace(mesh, vertices=mesh.vertices[used], faces=position[mesh.faces], colours=colours)


def without_crumbs(mesh: Mesh) -> Mesh:
    """The mesh without pieces of a handful of faces beside the largest one."""
    piece = face_components(mesh.faces, edges_of(mesh.faces))
    size = np.bincount(piece)
    small = (size < FEWEST_FACES) & (size < size.max(initial=0))
    return without_faces(mesh, small[piece]) if small.any() else mesh


def without_duplicates(mesh: Mesh) -> Mesh:
    """Each face once. Of two that look opposite ways both go where the surface closes without them."""
    single = single_faces(mesh.faces)
    return mesh if single.all() else without_faces(mesh, ~single)


def single_faces(faces: IndexArray) -> BoolArray:
    """(m,) faces to keep so that each is there once, and none of two back to back where it closes without them."""
    suspects, kind = faces_alike(faces)
    keep = np.ones(len(faces), bool)
    if len(suspects) == 0:
        return keep
    first = np.unique(kind, return_index=True)[1]
    keep[np.delete(suspects, first)] = False
    lone = np.zeros(len(faces), bool)  # the one face left of two back to back
    lone[suspects[first]] = np.bincount(kind, weights=_parity(faces[suspects])) == 0
    at = np.zeros(int(faces.max()) + 1, bool)
    at[faces[lone]] = True
    about = np.flatnonzero(touching(faces, at) & keep)
    edges = edges_of(faces[about])
    at_side = edges.faces_count[edges.of_half].reshape(-1, 3)
    keep[about] = ~(lone[about] & (np.median(at_side, axis=1) != 2))
    return keep


def without_degenerates(mesh: Mesh) -> Mesh:
    """Faces without area taken out so that the surface stays closed, and vertices that no face uses.

    A face that names a vertex twice is dropped. A needle loses its shortest side (the two ends become one
    vertex), a cap has its longest side turned into the other diagonal of the two faces beside it. What
    neither can mend without making an edge of three faces stays.
    """
    return used_only(mended_degenerates(mesh))


def mended_degenerates(mesh: Mesh) -> Mesh:
    """As ``without_degenerates``; all vertices stay and keep their numbers."""
    stuck: set[tuple[int, ...]] = set()
    for _ in range(PASSES):
        bad, proper = degenerate_faces(mesh.vertices, mesh.faces)
        if not proper.all():
            mesh = replace(mesh, faces=mesh.faces[proper], filled=mesh.filled[proper])
            continue
        todo = [int(face) for face in np.flatnonzero(bad) if tuple(mesh.faces[face]) not in stuck]
        if not todo:
            break
        faces = mesh.faces.copy()
        for face in todo:
            if len(set(faces[face])) == 3 and not (
                _collapse(mesh.vertices, faces, face) or _flip(mesh.vertices, faces, face)
            ):
                stuck.add(tuple(faces[face]))
        mesh = replace(mesh, faces=faces)
    return mesh


def oriented(mesh: Mesh) -> Mesh:
    """Faces that hang together turned alike, closed pieces turned outwards.

    Orientation is spread over the double cover of the faces' graph: each face stands once as it is and once
    turned over, neighbours are linked where they agree. A piece that is one-sided (a Moebius band) links the
    two and is left as it is. The turn that changes fewer faces is taken; then closed pieces that enclose a
    negative volume are turned, unless they are cavities inside another piece.
    """
    faces = mesh.faces.copy()
    edges = edges_of(faces)
    pairs = edges.pairs
    pairs = pairs[edges.faces_count[edges.of_half[pairs[:, 0]]] == 2]
    one, other = pairs[:, 0] // 3, pairs[:, 1] // 3
    agree = edges.forward[pairs[:, 0]] != edges.forward[pairs[:, 1]]
    count = len(faces)
    if not agree.all():
        begin = np.concatenate([one, one + count])
        end = np.concatenate([np.where(agree, other, other + count), np.where(agree, other + count, other)])
        label = connected(2 * count, begin, end)
        asis, turned = label[:count], label[count:]
        sizes = np.bincount(asis, minlength=int(label.max()) + 1)
        turn = (sizes[turned] > sizes[asis]) | ((sizes[turned] == sizes[asis]) & (turned < asis))
        faces[turn] = faces[turn][:, ::-1]
    report = inspect(mesh.vertices, faces)
    inward = np.array([component.inside_out for component in report.components], bool)[report.component_of_face]
    faces[inward] = faces[inward][:, ::-1]
    return replace(mesh, faces=faces)


def with_fans_split(mesh: Mesh, *, only_at_borders: bool = False) -> Mesh:
    """A vertex of its own for every further fan of faces that meets another in a single vertex.

    ``only_at_borders``: where faces were taken out of a mesh that had no such vertices, they meet nowhere else.
    """
    asked, about = np.ones(len(mesh.vertices), bool), np.ones(len(mesh.faces), bool)
    if only_at_borders:
        asked = on_border(mesh.faces, open_halves(mesh.faces), len(mesh.vertices))
        about, fans = fans_at_border(mesh.faces, asked)
    else:
        fans = corner_fans(mesh.faces, edges_of(mesh.faces))
    vertex_of = np.zeros(int(fans.max(initial=-1)) + 1, np.int32)
    vertex_of[fans] = mesh.faces[about].reshape(-1)
    first = ~asked[vertex_of]
    first[np.unique(vertex_of, return_index=True)[1]] = True
    if first.all():
        return mesh
    extra = vertex_of[~first]
    new = vertex_of.copy()
    new[~first] = len(mesh.vertices) + np.arange(len(extra), dtype=np.int32)
    colours = None if mesh.colours is None else np.concatenate([mesh.colours, mesh.colours[extra]])
    faces = mesh.faces.copy()
    faces[about] = new[fans].reshape(-1, 3)
    return replace(mesh, vertices=np.concatenate([mesh.vertices, mesh.vertices[extra]]), faces=faces, colours=colours)


def drawn_apart(vertices: FloatArray, faces: IndexArray, source: NDArray[np.integer[Any]]) -> FloatArray:
    """Copies of one vertex moved a little, each towards its own faces.

    Two sheets that touch along an edge have copies of its ends; where these lie in one place, a format that knows
    vertices by their places (STL) joins the sheets again.

    Parameters
    ----------
    vertices : (n, 3), a copy where its original lies
    faces : (m, 3)
    source : (n,) the vertex that each is, or is a copy of
    """
    copied = np.bincount(source, minlength=len(vertices))[source] > 1
    if not copied.any():
        return vertices
    at = faces[copied[faces].any(axis=1)]
    corner, other = np.repeat(at, 3, axis=1).ravel(), np.tile(at, 3).ravel()
    count = np.maximum(np.bincount(corner, minlength=len(vertices)), 1)[:, None]
    total = np.stack([np.bincount(corner, vertices[other, k], len(vertices)) for k in range(3)], axis=1)
    return np.where(copied[:, None], (1 - APART) * vertices + APART * total / count, vertices)


def _parity(faces: IndexArray) -> FloatArray:
    """(m,) +1 where the corners are an even permutation of their sorted order, -1 where odd."""
    a, b, c = (faces[:, k] for k in range(3))
    return np.where((a < b).astype(int) + (b < c) + (c < a) == 2, 1.0, -1.0)


def _collapse(vertices: FloatArray, faces: IndexArray, face: int) -> bool:
    """Merge the ends of a needle's shortest side in place; False where that would not stay manifold."""
    corners = faces[face]
    sides = np.linalg.norm(vertices[corners] - vertices[np.roll(corners, -1)], axis=1)
    short = int(np.argmin(sides))
    if sides[short] > NEEDLE * sides.max():
        return False
    keep, gone = (int(vertex) for vertex in (corners[short], corners[(short + 1) % 3]))
    at_keep, at_gone = (faces == keep).any(axis=1), (faces == gone).any(axis=1)
    both = faces[at_keep & at_gone]
    across = set(both.reshape(-1)) - {keep, gone}
    common = (set(faces[at_keep].reshape(-1)) & set(faces[at_gone].reshape(-1))) - {keep, gone}
    if common != across or len(both) > 2:
        return False
    faces[faces == gone] = keep
    return True


def _flip(vertices: FloatArray, faces: IndexArray, face: int) -> bool:
    """Turn a cap's longest side into the other diagonal in place; False where that diagonal is an edge already."""
    corners = faces[face]
    sides = np.linalg.norm(vertices[corners] - vertices[np.roll(corners, -1)], axis=1)
    long = int(np.argmax(sides))
    a, b, apex = (int(corners[(long + step) % 3]) for step in range(3))
    beside = np.flatnonzero((faces == a).any(axis=1) & (faces == b).any(axis=1))
    beside = beside[beside != face]
    if len(beside) != 1:
        return False
    neighbour = int(beside[0])
    far = next((int(vertex) for vertex in faces[neighbour] if vertex not in (a, b)), apex)
    if far == apex or ((faces == apex).any(axis=1) & (faces == far).any(axis=1)).any():
        return False
    faces[face], faces[neighbour] = (apex, a, far), (apex, far, b)
    return True
