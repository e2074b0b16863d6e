"""A closed surface through an open one, where single patches cannot close what is left.

Rims that face one another, islands in a hole and mouths without a floor have no patch of their own. An implicit
surface through everything that is there is closed by construction (Kazhdan and Hoppe, *Screened Poisson surface
reconstruction*, 2013), but it rounds edges. So only what it says of the places where nothing was measured is taken
from it, as points; these and the open surface are fused as captures are, with sharp edges, and pinholes along the
seam are patched. What lies on no measured face of the open surface is a guess, and flagged as filled.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry.cloud import unit
from pipeline.geometry.deviation import Surface, sample_surface
from pipeline.geometry.edges import edges_of, face_components
from pipeline.geometry.fuse import Wanted, fused
from pipeline.geometry.hole_filling import fill
from pipeline.geometry.holes import Surroundings, find_holes
from pipeline.geometry.measure import face_areas, face_vectors
from pipeline.geometry.native import open3d
from pipeline.geometry.pool import Pool, joined
from pipeline.geometry.repair import used_only
from pipeline.geometry.size import is_closed
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh

NEAR_CELLS = 0.75
"""Vertices of the implicit surface within this many cells of the open one are put onto it."""
MEASURED_CELLS = 0.4
"""A face of the closed surface whose middle lies within this many cells of the open one was measured."""
GIVEN_PER_CELL, GUESSED_PER_CELL = 6.0, 12.0
"""Points on the open surface and on what is guessed, to a square cell: the guess must leave no gap at its border."""
STEPS = (0.5, 0.25)
"""Shares of the way onto the open surface that are tried after the whole, before a vertex is left where it is."""
MARGIN = 2.0
"""Size of the solver's cube relative to the part: nothing may touch its sides."""


def closed_surface(mesh: Mesh) -> Mesh | None:
    """Close whatever is open.

    Parameters
    ----------
    mesh : oriented outwards, open, mostly there

    Returns
    -------
    A closed, oriented mesh in which ``filled`` marks what does not lie on a measured face of the given one; None
    when no closed surface comes out.
    """
    cell = float(np.sqrt(face_areas(mesh.vertices, mesh.faces).mean() * 4 / np.sqrt(3)))
    guess = _guessed(mesh, cell)
    if guess is None:
        return None
    fused_mesh = _fused_with(mesh, guess, cell)
    return fused_mesh if fused_mesh is not None and is_closed(fused_mesh.faces) else guess


def _guessed(mesh: Mesh, cell: float) -> Mesh | None:
    """The implicit surface, put onto the open one where that is near."""
    vertices, faces = _implicit(mesh, cell)
    if len(faces) == 0:
        return None
    vertices, faces = _largest(vertices, faces)  # bubbles of an implicit surface may touch themselves
    if not is_closed(faces):
        return None
    surface = Surface(mesh.vertices, mesh.faces)
    return _flagged(Mesh(_put_back(vertices, faces, surface, NEAR_CELLS * cell), faces), mesh, surface, cell)


def _fused_with(mesh: Mesh, guess: Mesh, cell: float) -> Mesh | None:
    """The open surface and the guessed parts of a closed one, as one."""
    added = Mesh(guess.vertices, guess.faces[guess.filled], colours=guess.colours)
    if len(added.faces) == 0:
        return None
    evidence = joined(_points_on(mesh, cell, GIVEN_PER_CELL), _points_on(added, cell, GUESSED_PER_CELL))
    made = fused(evidence, Wanted(cell_mm=cell))[1]
    if made is None or len(made.mesh.faces) == 0:
        return None
    whole = _flagged(made.mesh, mesh, Surface(mesh.vertices, mesh.faces), cell)
    around = Surroundings(whole.faces, len(whole.vertices))
    return fill(whole, find_holes(whole, around), around).mesh


def _flagged(closed: Mesh, mesh: Mesh, surface: Surface, cell: float) -> Mesh:
    """``filled`` and colours of a closed mesh, from the open one it was made of."""
    middles = closed.vertices[closed.faces].mean(axis=1)
    nearest, weights = surface.nearest(middles)
    far = _gap(middles, surface, nearest, weights) > MEASURED_CELLS * cell
    colours = closed.colours
    if mesh.colours is not None and colours is None:
        face, weight = surface.nearest(closed.vertices)
        colours = mesh.colours[mesh.faces[face, weight.argmax(axis=1)]]
    return Mesh(closed.vertices, closed.faces, far | mesh.filled[nearest], colours)


def _points_on(mesh: Mesh, cell: float, per_cell: float) -> Pool:
    """Points spread evenly over a surface, so many to the square of a cell."""
    count = max(1, int(per_cell * face_areas(mesh.vertices, mesh.faces).sum() / cell**2))
    points, face = sample_surface(mesh.vertices, mesh.faces, count)
    normals = unit(face_vectors(mesh.vertices, mesh.faces))[face].astype(np.float32)
    colours = None if mesh.colours is None else mesh.colours[mesh.faces[face, 0]]
    return Pool(points, normals, colours, np.zeros(count, np.int32))


def _implicit(mesh: Mesh, cell: float) -> tuple[FloatArray, IndexArray]:
    """Screened Poisson through the vertices and face centres, in one thread so that it repeats itself."""
    o3d = open3d()
    used = used_only(mesh)
    across = face_vectors(used.vertices, used.faces)
    at_vertices = np.zeros_like(used.vertices)
    for corner in range(3):
        np.add.at(at_vertices, used.faces[:, corner], across)
    places = np.concatenate([used.vertices, used.vertices[used.faces].mean(axis=1)])
    normals = np.concatenate([at_vertices, across])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    good = length[:, 0] > 0
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(places[good]))
    cloud.normals = o3d.utility.Vector3dVector(normals[good] / length[good])
    depth = int(np.clip(np.round(np.log2(MARGIN * np.ptp(used.vertices, axis=0).max() / cell)), 5, 10))
    made, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(
        cloud, depth=depth, scale=MARGIN, linear_fit=True, n_threads=1
    )
    vertices, faces = np.array(made.vertices), np.array(made.triangles, np.int32)
    bound = np.abs(used.vertices).max() + MARGIN * np.ptp(used.vertices, axis=0).max()
    if not np.isfinite(vertices).all() or (len(vertices) and np.abs(vertices).max() > bound):
        return np.zeros((0, 3)), np.zeros((0, 3), np.int32)
    return vertices, faces


def _largest(vertices: FloatArray, faces: IndexArray) -> tuple[FloatArray, IndexArray]:
    """The piece with the most surface; an implicit function may have bubbles."""
    piece = face_components(faces, edges_of(faces))
    area = np.bincount(piece, face_areas(vertices, faces))
    kept = used_only(Mesh(vertices, faces[piece == area.argmax()]))
    return kept.vertices, kept.faces


def _put_back(vertices: FloatArray, faces: IndexArray, surface: Surface, reach: float) -> FloatArray:
    """Vertices near the open surface moved onto it, as far as no face at them turns over or loses its area."""
    face, weights = surface.nearest(vertices)
    target = np.einsum("nk,nki->ni", weights, surface.vertices[surface.faces[face]])
    near = np.linalg.norm(target - vertices, axis=1) <= reach
    before = face_vectors(vertices, faces)
    share = np.where(near, 1.0, 0.0)
    steps = iter(STEPS)
    while True:  # a spoiled face has a corner that moved; it moves less each time, in the end not at all
        moved: FloatArray = vertices + share[:, None] * (target - vertices)
        spoiled = _spoiled(before, face_vectors(moved, faces))
        if not spoiled.any():
            return moved
        corners = np.unique(faces[spoiled])
        share[corners] = np.minimum(share[corners], next(steps, 0.0))


def _spoiled(before: FloatArray, after: FloatArray) -> BoolArray:
    """Faces that turned by more than a right angle's two thirds or shrank to a twentieth."""
    size_before, size_after = np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1)
    spoiled: BoolArray = (np.einsum("ni,ni->n", before, after) < 0.5 * size_before * size_after) | (
        size_after < 0.05 * size_before
    )
    return spoiled


def _gap(points: FloatArray, surface: Surface, face: IndexArray, weights: FloatArray) -> FloatArray:
    """(n,) distance from points to their nearest places on the surface."""
    places = np.einsum("nk,nki->ni", weights, surface.vertices[surface.faces[face]])
    gap: FloatArray = np.linalg.norm(points - places, axis=1)
    return gap
