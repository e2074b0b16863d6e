"""Points of several captures made into one surface, and nothing where no point is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.cloud import Cloud, thinned
from pipeline.geometry.contour import contour
from pipeline.geometry.denoise import filtered_normals, projected
from pipeline.geometry.neighbours import nearest
from pipeline.geometry.normals import oriented, principal_normals
from pipeline.geometry.reconstruct import distance_field
from pipeline.geometry.refine import refined, split_quads
from pipeline.geometry.support import supported_faces, supported_vertices
from pipeline.geometry.tidy import tidied
from pipeline.part import ColourArray, FloatArray, Mesh, NormalArray

NEIGHBOURS = 16


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

    @property
    def sample(self) -> float:
        """Edge of the cube in which points are averaged: three quarters of a grid cell."""
        return 0.75 * self.cell


@dataclass(frozen=True, eq=False, slots=True)
class Fused:
    """A fused surface and what was left out on the way."""

    mesh: Mesh
    unsupported_count: int
    candidate_count: int
    pieces_removed_count: int
    outside_sure: float


def fused(
    points: FloatArray,
    normals: NormalArray | None,
    colours: ColourArray | None,
    lengths: Lengths,
    smallest_piece_percent: float,
) -> Fused:
    """Mesh the points.

    Thin them evenly, smooth normals and points by bilateral projection, blend their planes into a distance
    field near them, take its zero level, and put each vertex back onto the points.
    """
    cloud = thinned(points, normals, colours, lengths.sample)
    cloud, sure = _denoised(cloud, lengths)
    assert cloud.normals is not None
    tree = cKDTree(cloud.points)
    rough, quads, middles = contour(distance_field(cloud.points, cloud.normals, lengths.cell))
    surface = refined(rough, quads, middles, lengths.cell, cloud, tree, lengths.sample)
    faces = split_quads(surface.vertices, quads, surface.sharp)
    good = supported_vertices(surface, cloud, 1.25 * lengths.sample, lengths.support)
    supported = supported_faces(faces, surface.vertices, good, surface.normals)
    unsupported, candidates = int((~supported).sum()), len(faces)
    faces = faces[supported]
    tidy = tidied(surface.vertices, faces, max(12, int(smallest_piece_percent / 100 * len(faces))))
    paint = None
    if cloud.colours is not None:
        nearest = surface.neighbours[tidy.source, :4]
        paint = np.rint(cloud.colours[nearest].mean(axis=1)).astype(np.uint8)
    mesh = Mesh(surface.vertices[tidy.source], tidy.faces, colours=paint)
    return Fused(mesh, unsupported, candidates, tidy.pieces_removed_count, sure)


def _denoised(cloud: Cloud, lengths: Lengths) -> tuple[Cloud, float]:
    tree = cKDTree(cloud.points)
    _, neighbours = nearest(tree, cloud.points, NEIGHBOURS)
    normals, sure = cloud.normals, 1.0
    if normals is None:
        thickness = 0.5 * lengths.sample + 2 * lengths.noise
        normals = principal_normals(cloud.points, cloud.weight, neighbours, thickness)
        normals, sure = oriented(cloud.points, normals, neighbours)
    normals = filtered_normals(cloud.points, normals, cloud.weight, neighbours, lengths.sample)
    points = cloud.points
    for _ in range(2):
        points, _ = projected(points, normals, points, normals, cloud.weight, neighbours, lengths.sample)
    return replace(cloud, points=points, normals=normals), sure
