"""The open borders of a mesh: how wide, how flat, and what kind of opening each one is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.edges import edges_of
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.measure import face_vectors
from pipeline.part import FloatArray, IndexArray, Mesh

STEEP_IN, STEEP_OUT = 0.5, 0.3
"""Cosine between rim normals and the opening's axis below which the surface runs into the opening: 60 degrees
where it faces the axis (a bore), 72 where it faces away (the end of a tube; a tip that closes in is steeper)."""
ALL_ROUND = 0.8
"""Share of the rim on which that must hold."""
CORNER = np.cos(np.radians(50))
"""Rim normals farther than this from their mean mean that the hole lies across an edge of the part."""
OUTER = 0.5
"""A loop wider than this share of the part is the outer border of a capture that does not go all round."""
TURNED = -0.3
"""Mean cosine between rim normals and axis below which a loop runs round a piece of surface, not round a gap."""
THROUGH_DEPTH, THROUGH_SHIFT, THROUGH_RATIO = 4.0, 0.35, 1.5
"""Two openings are the ends of a bore whose wall was not measured when they face away from one another, no
farther apart than 4 diameters, no more than 0.35 diameters off one axis, and differ less than 1.5 in width."""
LEVEL = 0.35
"""An island lies no farther off the plane of the hole around it than this share of the hole's width."""


class Opening(StrEnum):
    """What an open border is."""

    HOLE = "hole"
    CORNER = "corner hole"
    BORE = "bore or mouth"
    OUTER = "outer border"


@dataclass(frozen=True, slots=True, eq=False)
class Hole:
    """One open border, or a border with the borders of the islands inside it.

    Attributes
    ----------
    loop : (n,) vertices, in the order in which a patch runs along them; a vertex occurs twice where a bridge
        leads to an island and back
    centre : (3,) mm
    axis : (3,) unit normal of the opening, pointing out of the surface
    diameter_mm : largest distance between two rim vertices
    flatness_mm : largest distance of a rim vertex from the opening's plane
    kind : what the rim looks like
    islands : how many pieces of surface lie inside
    """

    loop: IndexArray
    centre: FloatArray
    axis: FloatArray
    diameter_mm: float
    flatness_mm: float
    kind: Opening
    islands: int = 0


def find_holes(mesh: Mesh, around: Incidence) -> list[Hole]:
    """Every open border, widest first; a hole with islands inside counts as one."""
    used = np.zeros(len(mesh.vertices), bool)
    used[mesh.faces] = True
    size = float(np.ptp(mesh.vertices[used], axis=0).max()) if used.any() else 0.0
    loops = [loop[::-1] for loop in boundary_loops(mesh.faces)]
    holes = [_described(mesh, loop, around, size) for loop in loops]
    holes.sort(key=lambda hole: -hole.diameter_mm)
    return _through_bores(_with_islands(mesh, holes))


def _described(mesh: Mesh, loop: IndexArray, around: Incidence, size: float) -> Hole:
    rim = mesh.vertices[loop]
    centre = rim.mean(axis=0)
    area_vector = np.cross(rim - centre, np.roll(rim, -1, axis=0) - centre).sum(axis=0)
    axis = area_vector / max(float(np.linalg.norm(area_vector)), np.finfo(float).tiny)
    diameter = _widest(rim)
    normals = rim_normals(mesh, loop, around)
    if diameter > OUTER * size or float((normals @ axis).mean()) < TURNED:
        kind = Opening.OUTER
    elif _runs_inwards(rim - centre, normals, axis):
        kind = Opening.BORE
    elif _bent(normals):
        kind = Opening.CORNER
    else:
        kind = Opening.HOLE
    return Hole(loop, centre, axis, diameter, float(np.abs((rim - centre) @ axis).max()), kind)


def _with_islands(mesh: Mesh, holes: list[Hole]) -> list[Hole]:
    """Borders of pieces that lie inside a hole, joined to the narrowest hole around them."""
    joined = list(holes)
    for island in [hole for hole in holes if hole.kind is Opening.OUTER]:
        hosts = [hole for hole in joined if hole is not island and _encloses(mesh, hole, island)]
        if hosts:
            host = min(hosts, key=lambda hole: hole.diameter_mm)
            bridged = _bridged(mesh.vertices, host.loop, island.loop)
            joined[joined.index(host)] = replace(host, loop=bridged, islands=host.islands + 1)
            joined.remove(island)
    return joined


def _encloses(mesh: Mesh, hole: Hole, island: Hole) -> bool:
    """Whether an island faces the way of the hole and lies inside its rim, seen along its axis, close to its plane."""
    if hole.kind is Opening.BORE or island.diameter_mm >= hole.diameter_mm or hole.axis @ island.axis > TURNED:
        return False
    if abs((island.centre - hole.centre) @ hole.axis) > LEVEL * hole.diameter_mm:
        return False
    arms = mesh.vertices[hole.loop] - island.centre
    across = arms - np.outer(arms @ hole.axis, hole.axis)
    after = np.roll(across, -1, axis=0)
    turns = np.arctan2(np.cross(across, after) @ hole.axis, np.einsum("ni,ni->n", across, after)).sum()
    return bool(round(turns / (2 * np.pi)) == 1)


def _bridged(vertices: FloatArray, outer: IndexArray, inner: IndexArray) -> IndexArray:
    """One loop along the outer rim, over the shortest bridge, round the island and back."""
    from scipy.spatial import cKDTree

    distance, nearest = cKDTree(vertices[inner]).query(vertices[outer])
    start = int(np.argmin(distance))
    island = np.roll(inner, -int(nearest[start]))
    return np.concatenate([outer[: start + 1], island, island[:1], outer[start:]])


def _through_bores(holes: list[Hole]) -> list[Hole]:
    """Pairs of openings, widest first, that are the two ends of a bore whose wall was not measured are bores."""
    found = list(holes)
    for i, one in enumerate(holes):
        for j in range(i + 1, len(holes)):
            if one.diameter_mm > THROUGH_RATIO * holes[j].diameter_mm:
                break
            if _ends_of_a_bore(one, holes[j]):
                found[i], found[j] = (replace(hole, kind=Opening.BORE) for hole in (found[i], found[j]))
    return found


def _ends_of_a_bore(one: Hole, other: Hole) -> bool:
    if Opening.OUTER in (one.kind, other.kind) or one.axis @ other.axis >= -ALL_ROUND:
        return False
    apart = one.centre - other.centre
    depth = float(apart @ one.axis)
    aside = float(np.linalg.norm(apart - depth * one.axis))
    return 0 < depth < THROUGH_DEPTH * one.diameter_mm and aside < THROUGH_SHIFT * one.diameter_mm


def rim_normals(mesh: Mesh, loop: IndexArray, around: Incidence) -> FloatArray:
    """(n, 3) unit normals at the rim's vertices, area-weighted over the faces within two rings."""
    near = around.faces_at(np.unique(mesh.faces[around.faces_at(loop)]))
    faces = mesh.faces[near]
    weighted = np.repeat(face_vectors(mesh.vertices, faces), 3, axis=0)
    used, local = np.unique(faces, return_inverse=True)
    total = np.zeros((len(used), 3))
    np.add.at(total, local.reshape(-1), weighted)
    spread = np.zeros_like(total)
    edges = edges_of(local.reshape(-1, 3).astype(np.int32)).ends
    np.add.at(spread, edges[:, 0], total[edges[:, 1]])
    np.add.at(spread, edges[:, 1], total[edges[:, 0]])
    at_rim = (total + spread)[np.searchsorted(used, loop)]
    normals: FloatArray = at_rim / np.maximum(np.linalg.norm(at_rim, axis=1, keepdims=True), np.finfo(float).tiny)
    return normals


def _runs_inwards(arms: FloatArray, normals: FloatArray, axis: FloatArray) -> bool:
    """Whether the surface runs into the opening all round: a bore, a mouth, the end of a tube."""
    radial = arms - np.outer(arms @ axis, axis)
    facing = np.einsum("ni,ni->n", normals, radial) < 0
    return bool(np.mean(normals @ axis < np.where(facing, STEEP_IN, STEEP_OUT)) > ALL_ROUND)


def _bent(normals: FloatArray) -> bool:
    mean = normals.sum(axis=0)
    mean /= max(float(np.linalg.norm(mean)), np.finfo(float).tiny)
    return bool((normals @ mean).min() < CORNER)


def _widest(rim: FloatArray) -> float:
    """Largest distance between two points; exact up to 500 points, then from every k-th."""
    some = rim[np.unique(np.linspace(0, len(rim) - 1, 500).astype(int))]
    return float(np.linalg.norm(some[:, None] - some[None], axis=2).max())
