"""What an implicit surface says of the places where nothing was measured.

A surface through everything that is there is closed by construction (Kazhdan and Hoppe, *Screened Poisson surface
reconstruction*, 2013), but it rounds edges and smooths what was measured. So only the part of it is of use that lies
beyond the rims of the open surface.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.boundary import on_border
from pipeline.geometry.cloud import thinned, unit
from pipeline.geometry.deviation import Surface
from pipeline.geometry.edges import edges_of, face_components
from pipeline.geometry.measure import face_areas, face_vectors, vertex_vectors
from pipeline.geometry.native import open3d
from pipeline.geometry.repair import used_only
from pipeline.geometry.size import is_closed
from pipeline.part import BoolArray, FloatArray, IndexArray, LongArray, Mesh

GRIDS = (1.0, 0.9, 0.8)
"""Width of the solver's grid in cells of the mesh, in turn until its surface is closed: where a piece touches itself in
one grid it does not in another."""
MARGIN = 1.25
"""Size of the solver's cube relative to the part, at least: nothing may touch the sides. Each halving of its grid costs
as much as all before it, so the cube is made larger than that only to hold whole halvings."""
DENSE_CELLS, COARSE_CELLS = 8.0, 6.0
"""So many cells about the openings all vertices are used; farther off, where the surface is only to hold the whole
together, one place to the cube of so many cells."""
MEASURED_CELLS = 0.4
"""What lies within this many cells of the open surface was measured."""
SLIT_CELLS = 0.1
"""What lies beyond a rim counts from this many cells on: a slit has no places far from both its rims."""
FAR_CELLS = 2.0
"""No edge is rounded by as much: what lies farther off is no measured place, wherever the nearest one is."""
FACING = 0.2
"""Cosine between the normals below which a surface is not the one that was measured beside it, but a wall's other."""
ON_RIM = 1e-3
"""Weight of a corner below which the nearest place lies on the side across from it."""


def closed_guess(mesh: Mesh, cell: float) -> Mesh | None:
    """The largest piece of the implicit surface through a mesh; None where it does not close in any grid.

    Parameters
    ----------
    mesh : oriented outwards, open, mostly there
    cell : length of its edges, millimetres
    """
    places, normals = _places(mesh, cell, None)
    for grid in GRIDS:
        made = _largest(*_implicit(places, normals, grid * cell))
        if len(made.faces) == 0:
            return None
        if is_closed(made.faces):
            return made
    return None


def guess_about(openings: FloatArray, mesh: Mesh, cell: float) -> Mesh:
    """The same about openings (k, 3), coarse elsewhere; not closed where it touches itself, but it tells as much.

    No faces where there is no such surface.
    """
    return _largest(*_implicit(*_places(mesh, cell, openings), GRIDS[0] * cell))


def beyond_rims(guess: Mesh, surface: Surface, halves: LongArray, cell: float) -> Mesh:
    """The pieces of a closed surface that lie where an open one has nothing and reach its rims.

    Nearest to such a place is a rim. Where an edge of the part is rounded the surface is off as well, but nearest to
    that is the inside of a face.

    Parameters
    ----------
    halves : open half-edges of the surface
    """
    middles = guess.vertices[guess.faces].mean(axis=1)
    nearest, weights = surface.nearest(middles)
    gap = np.linalg.norm(middles - surface.places(nearest, weights), axis=1)
    at_rim = _on_rim(surface.faces, halves, nearest, weights)
    facing = np.einsum(
        "ni,ni->n",
        unit(face_vectors(guess.vertices, guess.faces)),
        unit(face_vectors(surface.vertices, surface.faces[nearest])),
    )
    off = gap > MEASURED_CELLS * cell
    beyond = (at_rim & (gap > SLIT_CELLS * cell)) | (off & ((gap > FAR_CELLS * cell) | (facing < FACING)))
    faces = guess.faces[beyond]
    if len(faces):
        piece = face_components(faces, edges_of(faces))
        faces = faces[np.bincount(piece, at_rim[beyond])[piece] > 0]
    return used_only(Mesh(guess.vertices, faces))


def _on_rim(faces: IndexArray, halves: LongArray, nearest: IndexArray, weights: FloatArray) -> BoolArray:
    """(n,) whether the nearest place lies on an open side of its face, or in a corner at an open border."""
    open_side = np.zeros((len(faces), 3), bool)
    open_side[halves // 3, halves % 3] = True
    on_side = (open_side[nearest] & (weights[:, (2, 0, 1)] < ON_RIM)).any(axis=1)
    in_corner = on_border(faces, halves, int(faces.max()) + 1)[faces[nearest]] & (weights > 1 - ON_RIM)
    return np.asarray(on_side | in_corner.any(axis=1), np.bool_)


def _places(mesh: Mesh, cell: float, openings: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """Vertices with their normals; thinned far from the openings."""
    places, normals = mesh.vertices, unit(vertex_vectors(mesh.vertices, mesh.faces))
    good = np.einsum("ni,ni->n", normals, normals) > 0.5
    places, normals = places[good], normals[good]
    if openings is None:
        return places, normals
    near = np.isfinite(cKDTree(openings).query(places, distance_upper_bound=DENSE_CELLS * cell)[0])
    if near.all():
        return places, normals
    far = thinned(places[~near], normals[~near].astype(np.float32), None, COARSE_CELLS * cell)
    assert far.normals is not None
    return np.concatenate([places[near], far.points]), np.concatenate([normals[near], far.normals])


def _implicit(places: FloatArray, normals: FloatArray, grid: float) -> tuple[FloatArray, IndexArray]:
    """Screened Poisson through oriented places in a grid so wide, in one thread so that it repeats itself."""
    o3d = open3d()
    extent = float(np.ptp(places, axis=0).max())
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(places))
    cloud.normals = o3d.utility.Vector3dVector(normals)
    depth = int(np.clip(np.ceil(np.log2(MARGIN * extent / grid)), 5, 10))
    scale = max(MARGIN, grid * 2**depth / extent)
    made, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(
        cloud, depth=depth, scale=scale, linear_fit=True, n_threads=1
    )
    vertices, faces = np.array(made.vertices), np.array(made.triangles, np.int32)
    bound = np.abs(places).max() + scale * extent
    if not np.isfinite(vertices).all() or (len(vertices) and np.abs(vertices).max() > bound):
        return np.zeros((0, 3)), np.zeros((0, 3), np.int32)
    return vertices, faces


def _largest(vertices: FloatArray, faces: IndexArray) -> Mesh:
    """The piece with the most surface; an implicit function may have bubbles."""
    if len(faces) == 0:
        return Mesh(vertices, faces)
    piece = face_components(faces, edges_of(faces))
    area = np.bincount(piece, face_areas(vertices, faces))
    return used_only(Mesh(vertices, faces[piece == area.argmax()]))
