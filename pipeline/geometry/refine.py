"""Vertices of a rough mesh put where the points say: onto smooth faces, and into sharp edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.cloud import Cloud, unit
from pipeline.geometry.denoise import projected
from pipeline.geometry.neighbours import nearest
from pipeline.part import BoolArray, FloatArray, IndexArray

CHUNK = 65_536
NEIGHBOURS = 16
SHARP = 0.1
"""A vertex lies on an edge when the second direction of the normals around it carries this much of the first."""
DETERMINED = 0.05
"""A direction that carries less than this of the strongest does not fix the vertex."""


@dataclass(frozen=True, eq=False, slots=True)
class Refined:
    """Vertices on the measured surface.

    Attributes
    ----------
    vertices, normals : (n, 3)
    sharp : (n,) whether the vertex was put into an edge or corner
    neighbours : (n, k) nearest points of the cloud, nearest first
    distance : (n,) to the nearest point before the move, millimetres
    """

    vertices: FloatArray
    normals: FloatArray
    sharp: BoolArray
    neighbours: IndexArray
    distance: FloatArray


def refined(
    vertices: FloatArray, quads: IndexArray, middles: FloatArray, cell: float, cloud: Cloud, tree: cKDTree, reach: float
) -> Refined:
    """Move each vertex onto the local fit of the points around it.

    Parameters
    ----------
    vertices : (n, 3), millimetres
    quads : (m, 4), counter-clockwise seen from outside
    middles : (n, 3) middle of the grid cell of each vertex
    cell : edge length of the grid, millimetres
    cloud : with normals; ``tree`` is its k-d tree
    reach : millimetres; standard deviation of the weight by distance
    """
    assert cloud.normals is not None
    facing = quad_normals(vertices, quads)
    distance, neighbours = nearest(tree, vertices, NEIGHBOURS)
    data = (cloud.points, cloud.normals, cloud.weight, neighbours, reach)
    moved, normals = projected(vertices, facing, *data, spread=0.6)
    moved, normals = projected(moved, normals, *data)
    limit = np.linalg.norm(moved - vertices, axis=1) > 1.5 * cell
    moved[limit] = vertices[limit]
    corner, sharp = _edge_points(moved, facing, middles, cell, cloud, neighbours)
    moved[sharp] = corner[sharp]
    return Refined(moved, normals, sharp, neighbours, distance[:, 0])


def quad_normals(vertices: FloatArray, quads: IndexArray) -> FloatArray:
    """(n, 3) mean normal of the quadrilaterals at each vertex, by area."""
    area = np.cross(vertices[quads[:, 2]] - vertices[quads[:, 0]], vertices[quads[:, 3]] - vertices[quads[:, 1]])
    sums = np.zeros((3, len(vertices)))
    for axis in range(3):
        for k in range(4):
            sums[axis] += np.bincount(quads[:, k], weights=area[:, axis], minlength=len(vertices))
    return unit(sums.T)


def split_quads(vertices: FloatArray, quads: IndexArray, sharp: BoolArray) -> IndexArray:
    """Two triangles of each quadrilateral, along an edge of the part where there is one, else the shorter way."""
    first = np.linalg.norm(vertices[quads[:, 0]] - vertices[quads[:, 2]], axis=1)
    second = np.linalg.norm(vertices[quads[:, 1]] - vertices[quads[:, 3]], axis=1)
    along_first = sharp[quads[:, 0]] & sharp[quads[:, 2]]
    along_second = sharp[quads[:, 1]] & sharp[quads[:, 3]]
    straight = np.where(along_first == along_second, first <= second, along_first)[:, None]
    return np.concatenate(
        [
            np.where(straight, quads[:, (0, 1, 2)], quads[:, (0, 1, 3)]),
            np.where(straight, quads[:, (0, 2, 3)], quads[:, (1, 2, 3)]),
        ]
    ).astype(np.int32)


def _edge_points(
    start: FloatArray, facing: FloatArray, middles: FloatArray, cell: float, cloud: Cloud, neighbours: IndexArray
) -> tuple[FloatArray, BoolArray]:
    """The point nearest to all tangent planes in a cell (Ju et al. 2002), where they differ in direction.

    Only points about the vertex's own cell count, so that just the cell that holds the edge is drawn to it.
    """
    assert cloud.normals is not None
    out, sharp = np.array(start), np.zeros(len(start), bool)
    for begin in range(0, len(start), CHUNK):
        here = slice(begin, begin + CHUNK)
        index = neighbours[here]
        normal, offset = cloud.normals[index], cloud.points[index] - middles[here, None]
        share = cloud.weight[index] * (np.einsum("nki,ni->nk", normal, facing[here]) > 0)
        share *= np.exp(-((np.abs(offset).max(axis=2) / (0.75 * cell)) ** 4))
        share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-12)
        spread = np.matmul((normal * share[..., None]).transpose(0, 2, 1), normal)
        strength, axes = np.linalg.eigh(spread)
        on_edge = strength[:, 1] > SHARP * strength[:, 2]
        origin = np.einsum("nk,nki->ni", share, offset)
        height = np.einsum("nki,nki->nk", normal, offset - origin[:, None])
        pull = np.einsum("nk,nki->ni", share * height, normal)
        fixed = strength > DETERMINED * strength[:, 2:]
        inverse = np.where(fixed, 1 / np.where(fixed, strength, 1.0), 0.0)
        place = origin + np.einsum("nij,nj->ni", axes, inverse * np.einsum("nij,ni->nj", axes, pull))
        on_edge &= (np.abs(place) <= 0.75 * cell).all(axis=1)
        out[here] = middles[here] + place
        sharp[here] = on_edge
    return out, sharp
