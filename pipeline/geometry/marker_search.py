"""Looking for markers that nobody placed in a ticket: round raised spots of a known width on a smooth surface."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.cloud import thinned
from pipeline.geometry.marker_lumps import Lump, LumpFinder
from pipeline.geometry.measure import vertex_vectors
from pipeline.part import BoolArray, FloatArray, Mesh

SEEDS_PER_RADIUS = 3.0
LEAST_HEIGHT = 0.05
"""A marker is at least this high, as a share of its radius."""
CLEAR = 5.0
"""It is at least this many times higher than the surface around it scatters."""
INNER = 0.45
WIDTH = (0.75, 1.25)
ROUND = 1.3
PIECE = 2_048
MOST = 200


def raised_spots(mesh: Mesh, diameter_mm: float, noise_mm: float) -> list[Lump]:
    """Round lumps about as wide as told, on surface that is smooth around them, highest above its scatter first.

    Around each of many seeds a quadric is laid through the ring beyond a marker's foot; where the middle stands
    clearly above it, the mesh itself is asked. A boss of the part that is as wide and as round is taken for a marker:
    no scan can tell the two apart.
    """
    finder = LumpFinder(mesh, diameter_mm)
    places = _candidates(mesh, diameter_mm / 2, finder.margin, max(LEAST_HEIGHT * diameter_mm / 2, CLEAR * noise_mm))
    found: list[Lump] = []
    for place in places[:MOST]:
        if any(np.linalg.norm(place - lump.place) < diameter_mm for lump in found):
            continue
        lump = finder.at(place)
        if lump is None or not _is_marker(lump, diameter_mm, noise_mm) or finder.is_wider(lump, place):
            continue
        if all(np.linalg.norm(lump.place - other.place) > diameter_mm for other in found):
            found.append(lump)
    return found


def _is_marker(lump: Lump, diameter: float, noise: float) -> bool:
    clear = lump.height > max(LEAST_HEIGHT * diameter / 2, CLEAR * lump.scatter, CLEAR * noise)
    fits = WIDTH[0] * diameter < lump.width < WIDTH[1] * diameter and lump.elongation < ROUND
    return clear and fits and not lump.across_edge


def _candidates(mesh: Mesh, radius: float, margin: float, least: float) -> FloatArray:
    """(n, 3) seeds whose middle stands above the surface around them, clearest first."""
    at_vertices = vertex_vectors(mesh.vertices, mesh.faces)
    used = np.linalg.norm(at_vertices, axis=1) > 0
    if not used.any():
        return np.zeros((0, 3))
    normals = (at_vertices[used] / np.linalg.norm(at_vertices[used], axis=1, keepdims=True)).astype(np.float32)
    seeds = thinned(mesh.vertices[used], normals, None, radius / SEEDS_PER_RADIUS)
    assert seeds.normals is not None
    outer = 2 * radius + margin
    count = min(round(1.5 * np.pi * (outer * SEEDS_PER_RADIUS / radius) ** 2), len(seeds))
    tree = cKDTree(seeds.points)
    score = np.zeros(len(seeds))
    for start in range(0, len(seeds), PIECE):
        here = slice(start, start + PIECE)
        index = np.asarray(tree.query(seeds.points[here], k=count, distance_upper_bound=1.3 * outer, workers=-1)[1])
        height, scatter = _heights(seeds.points, seeds.normals, here, index, radius, radius + margin, outer)
        score[here] = np.where((height > least) & (height > CLEAR * scatter), height / np.maximum(scatter, 1e-9), 0.0)
    order = np.argsort(-score, kind="stable")
    return np.asarray(seeds.points[order[score[order] > 0]])


def _heights(
    points: FloatArray,
    normals: FloatArray,
    here: slice,
    index: np.ndarray,
    radius: float,
    inner: float,
    outer: float,
) -> tuple[FloatArray, FloatArray]:
    """(n,) how high each seed's middle stands above the quadric through the ring around it, and the ring's scatter."""
    there = index < len(points)
    index = np.minimum(index, len(points) - 1)
    facing = normals[here]
    alike = there & (np.einsum("nki,ni->nk", normals[index], facing) > 0)
    axis = np.einsum("nk,nki->ni", alike.astype(float), normals[index])
    axis /= np.maximum(np.linalg.norm(axis, axis=1, keepdims=True), 1e-12)
    arms = points[index] - points[here][:, None]
    along = np.einsum("nki,ni->nk", arms, axis)
    first = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis), axis=1)])
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    u, v = np.einsum("nki,ni->nk", arms, first), np.einsum("nki,ni->nk", arms, np.cross(axis, first))
    aside = np.hypot(u, v)
    ring: BoolArray = alike & (aside > inner) & (aside < outer)
    top: BoolArray = alike & (aside < INNER * radius)
    u, v = u / outer, v / outer
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    weighted = terms * ring[..., None]
    matrix = np.einsum("nki,nkj->nij", weighted, terms) + 1e-6 * np.eye(6)
    shape = np.linalg.solve(matrix, np.einsum("nki,nk->ni", weighted, along)[..., None])[..., 0]
    off = along - np.einsum("nki,ni->nk", terms, shape)
    number = ring.sum(axis=1)
    scatter = np.sqrt((off**2 * ring).sum(axis=1) / np.maximum(number - 6, 1))
    height = (off * top).sum(axis=1) / np.maximum(top.sum(axis=1), 1)
    enough = (number > 30) & (top.sum(axis=1) > 0)
    return np.where(enough, height, 0.0), np.where(enough, scatter, np.inf)
