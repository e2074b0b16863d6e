"""What is wrong with a mesh, counted and located; nothing is believed, everything is counted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.edges import Edges, connected, corner_fans, edges_of, face_components, following
from pipeline.geometry.kinds import repeated, triple_keys
from pipeline.geometry.measure import face_volumes
from pipeline.geometry.vectors import cross_by_axis, dot
from pipeline.part import BoolArray, FloatArray, IndexArray, LongArray, Mesh

FLAT = 1e-10
"""A face is degenerate when twice its area is below this times its longest side squared."""
PLACES = 8
"""Coordinates kept for each kind of defect."""


@dataclass(frozen=True, slots=True)
class Component:
    """One piece of surface, connected across edges.

    ``genus`` is that of an orientable surface, the number of handles; it is -1 where the piece is not
    manifold or not oriented alike and has none. ``volume`` (mm3) is signed; on an open piece only its sign tells.
    """

    faces_count: int
    loops_count: int
    euler_characteristic: int
    genus: int
    volume: float
    closed: bool
    cavity: bool
    inside_out: bool


@dataclass(frozen=True, slots=True, eq=False)
class TopologyReport:
    """Every defect counted; ``places`` has up to 8 coordinates (mm) for each kind that occurs.

    Vertices that no face uses are left out. ``component_of_face`` numbers the component of each face (of those
    that name three different vertices). ``nonmanifold_vertices`` have more than one fan of faces (edges
    of many faces are counted by themselves). ``inside_out`` counts closed components that point inwards and
    do not lie inside another one, where inwards is right: those are cavities.
    """

    vertices: int
    edges: int
    faces: int
    boundary_edges: int
    loops: tuple[IndexArray, ...]
    nonmanifold_edges: int
    nonmanifold_vertices: int
    misoriented_edges: int
    duplicate_faces: int
    degenerate_faces: int
    inside_out: int
    euler_characteristic: int
    components: tuple[Component, ...]
    component_of_face: IndexArray
    places: Mapping[str, FloatArray]

    @property
    def loops_count(self) -> int:
        return len(self.loops)

    @property
    def genus(self) -> int:
        """Handles of all components together; -1 when a component has no genus."""
        each = [component.genus for component in self.components]
        return -1 if -1 in each else sum(each)

    @property
    def manifold(self) -> bool:
        return self.nonmanifold_edges == self.nonmanifold_vertices == 0

    @property
    def sound(self) -> bool:
        """Manifold and oriented alike, no degenerate or doubled face; it may have borders."""
        return self.manifold and self.misoriented_edges + self.duplicate_faces + self.degenerate_faces == 0

    @property
    def watertight(self) -> bool:
        """Closed, sound, oriented outwards. Says nothing of self-intersection."""
        return self.faces > 0 and self.sound and self.boundary_edges + self.inside_out == 0


def inspect_mesh(mesh: Mesh) -> TopologyReport:
    """``inspect`` of a part's mesh."""
    return inspect(mesh.vertices, mesh.faces)


def inspect(vertices: FloatArray, faces: IndexArray, *, by_piece: bool = True) -> TopologyReport:
    """Count and locate every defect of a mesh.

    Parameters
    ----------
    vertices : (n, 3), millimetres
    faces : (m, 3)
    by_piece : False where nobody asks about the components; then there are none, and nothing is inside out

    Returns
    -------
    Counts by the mesh's indices: vertices that only coincide are different vertices. A face that names a
    vertex twice is degenerate and takes no part in the edges.
    """
    degenerate, proper = degenerate_faces(vertices, faces)
    whole = faces[proper]
    edges = edges_of(whole)
    fans = corner_fans(whole, edges)
    loops = boundary_loops(whole, edges, fans)
    open_edges, crowded, against = edges.faces_count == 1, edges.faces_count > 2, misoriented_edges(edges)
    split = _vertices_of_many_fans(whole, fans)
    doubled = duplicate_faces(faces)
    components, label = (
        _components(vertices, whole, edges, fans, crowded | against) if by_piece else ([], np.zeros(0, np.int32))
    )
    used = np.zeros(len(vertices), bool)
    used[whole] = True
    used_count = int(used.sum())
    inside_out = [np.argmax(label == each) for each, piece in enumerate(components) if piece.inside_out]
    places = {
        "boundary": vertices[edges.ends[open_edges]],
        "nonmanifold-edge": vertices[edges.ends[crowded]],
        "nonmanifold-vertex": vertices[split][:, None],
        "misoriented": vertices[edges.ends[against]],
        "duplicate": vertices[faces[doubled]],
        "degenerate": vertices[faces[degenerate]],
        "inside-out": vertices[whole[inside_out]],
    }
    return TopologyReport(
        vertices=used_count,
        edges=len(edges.ends),
        faces=len(faces),
        boundary_edges=int(open_edges.sum()),
        loops=tuple(loops),
        nonmanifold_edges=int(crowded.sum()),
        nonmanifold_vertices=len(split),
        misoriented_edges=int(against.sum()),
        duplicate_faces=int(doubled.sum()),
        degenerate_faces=int(degenerate.sum()),
        inside_out=len(inside_out),
        euler_characteristic=used_count - len(edges.ends) + len(whole),
        components=tuple(components),
        component_of_face=label,
        places={kind: _spread(corners.mean(axis=1)) for kind, corners in places.items() if len(corners)},
    )


def degenerate_faces(vertices: FloatArray, faces: IndexArray) -> tuple[BoolArray, BoolArray]:
    """(m,) whether a face has no area, and (m,) whether it names three different vertices."""
    one, two, three = np.ascontiguousarray(faces.T)
    by_axis = np.ascontiguousarray(vertices.T)  # numpy is slow along an axis of three
    a, b, c = (np.take(by_axis, corner, axis=1) for corner in (one, two, three))
    along, back = b - a, c - a
    squares = [dot(side, side) for side in (along, c - b, back)]
    longest = np.maximum(np.maximum(squares[0], squares[1]), squares[2])
    across = cross_by_axis(along, back)
    proper: BoolArray = (one != two) & (two != three) & (three != one)
    return ~proper | (dot(across, across) <= (FLAT * longest) ** 2), proper


def duplicate_faces(faces: IndexArray) -> BoolArray:
    """(m,) True for each face whose three vertices an earlier face has already, turned either way."""
    suspects, kind = faces_alike(faces)
    doubled = np.zeros(len(faces), bool)
    doubled[np.delete(suspects, np.unique(kind, return_index=True)[1])] = True
    return doubled


def faces_alike(faces: IndexArray) -> tuple[LongArray, LongArray]:
    """(k,) faces, rising, that may have the same three vertices as others, and (k,) which of them do: equal numbers."""
    a, b, c = (faces[:, k].astype(np.int64) for k in range(3))  # numpy is slow along an axis of three
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    corners = np.column_stack([low, a + b + c - low - high, high])
    suspects = repeated(triple_keys(corners))
    if len(suspects) == 0:
        return suspects, np.zeros(0, np.int64)
    return suspects, np.unique(corners[suspects], axis=0, return_inverse=True)[1].reshape(-1)


def misoriented_edges(edges: Edges) -> BoolArray:
    """(e,) True where an edge's two faces run along it in the same direction: one of them is turned over."""
    pair = edges.faces_count == 2
    against = np.zeros(len(pair), bool)
    first = edges.first[pair]
    against[pair] = edges.forward[edges.order[first]] == edges.forward[edges.order[first + 1]]
    return against


def damaged_vertices(vertices: FloatArray, faces: IndexArray) -> LongArray:
    """(k,) vertices where faces (m, 3) are degenerate or doubled, or do not make one oriented fan. Borders are none."""
    degenerate, proper = degenerate_faces(vertices, faces)
    whole = faces[proper]
    edges = edges_of(whole)
    at_edges = edges.ends[(edges.faces_count > 2) | misoriented_edges(edges)]
    split = _vertices_of_many_fans(whole, corner_fans(whole, edges))
    at_faces = faces[degenerate | duplicate_faces(faces)]
    return np.unique(np.concatenate([at_edges.reshape(-1), split, at_faces.reshape(-1)]))


def winding_number(point: FloatArray, vertices: FloatArray, faces: IndexArray) -> float:
    """How often closed faces wrap a point: 1 inside, 0 outside (solid angles: van Oosterom & Strackee 1983)."""
    a, b, c = (vertices[faces[:, k]] - point for k in range(3))
    la, lb, lc = (np.linalg.norm(side, axis=1) for side in (a, b, c))
    triple = np.einsum("ni,ni->n", a, np.cross(b, c))
    dots = np.einsum("ni,ni->n", a, b) * lc + np.einsum("ni,ni->n", b, c) * la + np.einsum("ni,ni->n", c, a) * lb
    return float(np.arctan2(triple, la * lb * lc + dots).sum() / (2 * np.pi))


def _components(
    vertices: FloatArray, faces: IndexArray, edges: Edges, fans: IndexArray, bad_edges: BoolArray
) -> tuple[list[Component], IndexArray]:
    """The components, largest first, and the component of each face (m,)."""
    if len(faces) == 0:
        return [], np.zeros(0, np.int32)
    label = face_components(faces, edges)
    count = int(label.max()) + 1
    rank = np.empty(count, np.int32)
    rank[np.argsort(-np.bincount(label), kind="stable")] = np.arange(count, dtype=np.int32)
    label = rank[label]
    edge_label = label[edges.order[edges.first] // 3]
    fan_label = np.zeros(int(fans.max()) + 1, np.int32)
    fan_label[fans] = np.repeat(label, 3)

    def tally(labels: IndexArray) -> LongArray:
        return np.bincount(labels, minlength=count)

    loops_of = tally(label[_one_half_of_each_loop(edges, fans) // 3])
    faces_of, euler = tally(label), tally(fan_label) - tally(edge_label) + tally(label)
    bad, is_open = tally(edge_label[bad_edges]) > 0, tally(edge_label[edges.faces_count == 1]) > 0
    origin = vertices[faces[:, 0]].mean(axis=0)
    size = np.bincount(label, weights=face_volumes(vertices, faces, origin), minlength=count)
    found = []
    for each in range(count):
        closed = not (bad[each] or is_open[each])
        inward = closed and size[each] < 0
        cavity = bool(inward) and _lies_inside(vertices, faces, label, each, ~(bad | is_open))
        genus = -1 if bad[each] else int(2 - loops_of[each] - euler[each]) // 2
        counts = int(faces_of[each]), int(loops_of[each]), int(euler[each])
        found.append(Component(*counts, genus, float(size[each]), closed, cavity, bool(inward) and not cavity))
    return found, label


def _lies_inside(vertices: FloatArray, faces: IndexArray, label: IndexArray, each: int, closed: BoolArray) -> bool:
    """Whether a component lies inside the other closed ones."""
    at = vertices[faces[np.argmax(label == each), 0]]
    others = faces[(label != each) & closed[label]]
    return round(winding_number(at, vertices, others)) % 2 != 0


def _one_half_of_each_loop(edges: Edges, fans: IndexArray) -> LongArray:
    halves = edges.boundary_halves
    group = connected(int(fans.max()) + 1, fans[halves], fans[following(halves)])
    first: LongArray = halves[np.unique(group[fans[halves]], return_index=True)[1]]
    return first


def _vertices_of_many_fans(faces: IndexArray, fans: IndexArray) -> LongArray:
    vertex_of = np.zeros(int(fans.max(initial=-1)) + 1, np.int32)
    vertex_of[fans] = faces.reshape(-1)
    split: LongArray = np.flatnonzero(np.bincount(vertex_of) > 1)
    return split


def _spread(places: FloatArray) -> FloatArray:
    """At most PLACES of them, evenly through the list."""
    chosen: FloatArray = places[np.unique(np.linspace(0, len(places) - 1, PLACES).astype(int))]
    return chosen
