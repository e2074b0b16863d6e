"""Points of several captures made into one surface, and nothing where no point is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.agreement import disagreement
from pipeline.geometry.cloud import Cloud, thinned
from pipeline.geometry.contour import contour
from pipeline.geometry.denoise import filtered_normals, projected
from pipeline.geometry.neighbours import columns, nearest, rows
from pipeline.geometry.normals import consistent, oriented, principal_normals, settled_normals
from pipeline.geometry.pool import Pool
from pipeline.geometry.reconstruct import distance_field
from pipeline.geometry.refine import Evidence, facing_of, refined, split_quads
from pipeline.geometry.repair import FEWEST_FACES, drawn_apart
from pipeline.geometry.sampling import noise_level, point_spacing
from pipeline.geometry.support import supported_vertices
from pipeline.geometry.tidy import tidied
from pipeline.geometry.unfold import evened, unfolded
from pipeline.part import FloatArray, Mesh

NEIGHBOURS = 16
GAP_NEIGHBOURS = 6
FLAT = 0.1
"""How far a face may curve away within a neighbourhood, in parts of the sample length."""
REACH = 0.75
"""Standard deviation of the weight by distance when vertices are put onto the points, in cells."""


@dataclass(frozen=True, slots=True)
class Lengths:
    """What every step scales with, millimetres.

    Attributes
    ----------
    spacing, noise : of the points
    cell : edge length of the grid
    support : how far from the nearest point surface still counts as measured
    """

    spacing: float
    noise: float
    cell: float
    support: float

    def sample(self, *, normals: bool) -> float:
        """Edge of the cube in which points are averaged.

        So that a wall of one and a half cells never has both its faces in one cube; where there are no normals
        yet, also small enough that they can be told from the nearest neighbours on one face of it.
        """
        return (0.6 if normals else 0.5) * self.cell


@dataclass(frozen=True, eq=False, slots=True)
class Fused:
    """A fused surface and what was learnt and left out on the way.

    Attributes
    ----------
    unsupported_percent : of the faces
    outside_sure : 0 to 1, how sure the outside is where the captures did not tell it
    normals_used : whether the captures' normals were there and of consistent sign
    disagreement_mm : how far captures lie apart where they overlap
    """

    mesh: Mesh
    unsupported_percent: float
    pieces_removed_count: int
    loops_count: int
    outside_sure: float
    normals_used: bool
    disagreement_mm: float


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the recipe asks for; None where the data decide."""

    cell_mm: float | None = None
    support_mm: float | None = None
    smallest_piece_percent: float = 0.5


def fused(pool: Pool, wanted: Wanted) -> tuple[Lengths, Fused | None]:
    """Mesh the points.

    Thin them evenly, smooth normals and points by bilateral projection, blend their planes into a distance
    field near them, take its zero level, and put each vertex back onto the points.

    Returns
    -------
    The lengths found, and the surface; None when all points coincide.
    """
    tree = cKDTree(pool.points, balanced_tree=False, compact_nodes=False)
    lengths = _lengths(pool.points, tree, wanted)
    if lengths.spacing == 0:
        return lengths, None
    given = pool.normals is not None and consistent(pool.points, pool.normals, tree)
    cloud = thinned(pool.points, pool.normals if given else None, pool.colours, lengths.sample(normals=given))
    tree = cKDTree(cloud.points, balanced_tree=False)
    apart = 0.0
    origin = cloud.points.mean(axis=0)
    several = bool(pool.owner[-1] > 0)
    data, sure = _evidence(cloud, tree, origin, lengths, all_round=several)
    if several:
        apart = disagreement(pool.points, pool.owner, rows(data.normals), tree, 2 * lengths.cell)
    mesh, unsupported, pieces, loops = _surface(cloud, tree, data, origin, lengths, wanted.smallest_piece_percent)
    return lengths, Fused(mesh, unsupported, pieces, loops, sure, given, apart)


def _lengths(points: FloatArray, tree: cKDTree, wanted: Wanted) -> Lengths:
    spacing, noise = point_spacing(points, tree), noise_level(points, tree)
    cell = wanted.cell_mm if wanted.cell_mm is not None else max(2 * spacing, 4 * noise)
    support = wanted.support_mm if wanted.support_mm is not None else 2 * cell
    return Lengths(spacing, noise, cell, support)


def _evidence(
    cloud: Cloud, tree: cKDTree, origin: FloatArray, lengths: Lengths, *, all_round: bool
) -> tuple[Evidence, float]:
    """The cloud denoised, and how sure its outside is."""
    distance, neighbours = nearest(tree, cloud.points, NEIGHBOURS)
    ring = max(1, min(GAP_NEIGHBOURS, distance.shape[1] - 1))
    gap = (distance[:, min(ring, distance.shape[1] - 1)] * np.sqrt(np.pi / ring)).astype(np.float32)
    weight = cloud.weight.astype(np.float32)
    reach = lengths.sample(normals=cloud.normals is not None)
    points = columns(cloud.points - origin)
    if cloud.normals is not None:
        normals, sure = columns(cloud.normals), 1.0
    else:
        thickness = FLAT * reach + 2 * lengths.noise
        normals = principal_normals(points, weight, neighbours, thickness)
        normals = settled_normals(points, normals, weight, neighbours, thickness)
        directions, sure = oriented(cloud.points, rows(normals), neighbours, all_round=all_round)
        normals = columns(directions)
    normals = filtered_normals(points, normals, weight, neighbours, reach)
    points, _ = projected(points, normals, points, normals, weight, neighbours, reach)
    return Evidence(points, normals, weight, neighbours, gap), sure


def _surface(
    cloud: Cloud, tree: cKDTree, data: Evidence, origin: FloatArray, lengths: Lengths, smallest_piece_percent: float
) -> tuple[Mesh, float, int, int]:
    """The mesh, the percentage of faces without support, and the numbers of pieces left out and of borders."""
    rough, quads, middles = contour(distance_field(rows(data.points), rows(data.normals), lengths.cell))
    around = nearest(tree, rough + origin, 1)[1][:, 0]
    facing = facing_of(rough, quads)
    surface = refined(columns(rough), facing, columns(middles), lengths.cell, data, around, REACH * lengths.cell)
    faces = split_quads(rows(surface.vertices).astype(float), quads, surface.sharp, facing)
    measured, pinholes = supported_vertices(surface, faces, facing, data, around, lengths.support)
    supported = (measured | pinholes)[faces].all(axis=1)
    unsupported = 100 * float((~supported).sum()) / max(len(faces), 1)
    faces = faces[supported]
    vertices = evened(rows(surface.vertices).astype(float), faces, pinholes)
    vertices = unfolded(vertices, faces, rows(facing)) + origin
    tidy = tidied(vertices, faces, max(FEWEST_FACES, int(smallest_piece_percent / 100 * len(faces))))
    paint = None
    if cloud.colours is not None:
        close = data.neighbours[around[tidy.source], :4]
        paint = np.rint(cloud.colours[close].mean(axis=1)).astype(np.uint8)
    mesh = Mesh(drawn_apart(vertices[tidy.source], tidy.faces, tidy.source), tidy.faces, colours=paint)
    return mesh, unsupported, tidy.pieces_removed_count, tidy.loops_count
