"""A closed surface through an open one, where single patches cannot close what is left.

Rims that face one another, islands in a hole and mouths without a floor have no patch of their own. What an implicit
surface says of the places beyond the rims (``guess``) is taken as points; these and the open surface about the
openings are fused as captures are, with sharp edges, and sewn into the rest, which stays as it is. What lies on no
measured face of the open surface is a guess, and flagged as filled.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.boundary import on_border, open_halves
from pipeline.geometry.cloud import unit
from pipeline.geometry.deviation import Surface, sample_surface
from pipeline.geometry.edges import one_row_more, touching
from pipeline.geometry.fuse import Wanted, fused
from pipeline.geometry.guess import MEASURED_CELLS, beyond_rims, closed_guess, guess_about
from pipeline.geometry.hole_filling import fill
from pipeline.geometry.holes import find_holes
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.kinds import repeated, triple_keys
from pipeline.geometry.measure import face_areas, face_vectors, mean_cell
from pipeline.geometry.pool import Pool, joined
from pipeline.geometry.repair import drawn_apart, together, used_only, with_fans_split, without_crumbs, without_faces
from pipeline.geometry.round_walls import on_round_walls
from pipeline.geometry.seam import seam
from pipeline.geometry.self_intersection import crossed_faces
from pipeline.geometry.size import is_closed
from pipeline.geometry.wall_pieces import Seen
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh

REACHES = (3.0, 4.5, 7.0, 12.0, np.inf)
"""How far about the openings the surface is made anew, in cells: the first that can be sewn in; in the end all of it,
where there is nothing to sew."""
OVERLAP_CELLS = 5.0
"""Evidence about what is made anew, so that its own border lies well outside of the seam."""
GAP_CELLS, WIDEST_CELLS = 0.8, 4.0
"""Width of the gap that is left for the seam, and its longest edge."""
NEAR_CELLS = 0.75
"""Vertices of the implicit surface within this many cells of the open one are put onto it."""
GIVEN_PER_CELL, GUESSED_PER_CELL = 6.0, 12.0
"""Points on the open surface and on what is guessed, to a square cell: the guess must leave no gap at its border."""
TORN_SHARE = 0.01
"""Share of the seam's faces that may be missing, and that may cross others, and be patched: where more are, the two
pieces do not fit."""
ROWS = 4
"""So many times a pinhole is tried to be patched, each time a row of faces wider."""
STEPS = (0.5, 0.25)
"""Shares of the way onto the open surface that are tried after the whole, before a vertex is left where it is."""


def closed_surface(seen: Seen) -> Mesh | None:
    """Close whatever is open.

    Parameters
    ----------
    seen : oriented outwards, open, mostly there

    Returns
    -------
    A closed, oriented mesh in which ``filled`` marks what does not lie on a measured face of the given one; None
    when no closed surface comes out.
    """
    mesh, surface = used_only(seen.mesh), seen.surface
    cell = mean_cell(mesh.vertices, mesh.faces)
    halves = open_halves(mesh.faces)
    rims = mesh.vertices[on_border(mesh.faces, halves, len(mesh.vertices))]
    about = guess_about(rims, mesh, cell)
    if len(about.faces):
        added = on_round_walls(beyond_rims(about, surface, halves, cell), mesh, cell)
        openings = cKDTree(np.concatenate([rims, added.vertices]))
        for reach in REACHES:
            mended = _mended(mesh, surface, added, openings, cell, reach * cell)
            if mended is not None:
                return mended
    guess = closed_guess(mesh, cell)
    if guess is None:
        return None
    return _flagged(_put_back(guess, surface, NEAR_CELLS * cell), mesh, surface, cell)


def _mended(mesh: Mesh, surface: Surface, added: Mesh, openings: cKDTree, cell: float, reach: float) -> Mesh | None:
    """The mesh with what lies about its openings made anew; None where that cannot be sewn in."""
    wide = reach + OVERLAP_CELLS * cell
    away = openings.query(mesh.vertices, distance_upper_bound=wide)[0]
    anew = _rounded(mesh.faces, touching(mesh.faces, away < reach))
    about = touching(mesh.faces, away < wide)
    evidence = _points_on(without_faces(mesh, ~about), cell, GIVEN_PER_CELL)
    if len(added.faces):
        evidence = joined(evidence, _points_on(added, cell, GUESSED_PER_CELL))
    made = fused(evidence, Wanted(cell_mm=cell))[1]
    if made is None or len(made.mesh.faces) == 0:
        return None
    rest, piece = without_faces(mesh, anew), made.mesh
    beside = without_faces(mesh, anew | ~about)
    if len(beside.faces):
        apart = Surface(beside.vertices, beside.faces).distance(piece.vertices)
        piece = without_faces(piece, touching(piece.faces, apart < GAP_CELLS * cell))
    return _sewn(rest, _flagged(piece, mesh, surface, cell), cell)


def _rounded(faces: IndexArray, chosen: BoolArray) -> BoolArray:
    """Chosen faces without teeth and slits at their border: twice one more row, and twice one less."""
    more = one_row_more(faces, one_row_more(faces, chosen))
    return ~one_row_more(faces, one_row_more(faces, ~more))


def _sewn(rest: Mesh, here: Mesh, cell: float) -> Mesh | None:
    """Both meshes as one, closed; None where the seam, or a pinhole left in the new piece, does not close."""
    both = with_fans_split(together(rest, here), only_at_borders=True)
    count = len(rest.faces)
    strip = seam(both.vertices, both.faces[:count], both.faces[count:], WIDEST_CELLS * cell)
    if strip.open_share > TORN_SHARE:
        return None
    faces = np.concatenate([both.faces, strip.faces])
    crossed = crossed_faces(both.vertices, faces, np.arange(len(faces)) >= len(both.faces))
    if np.count_nonzero(crossed) > TORN_SHARE * len(strip.faces):
        return None
    whole = Mesh(both.vertices, faces, np.concatenate([both.filled, np.zeros(len(strip.faces), bool)]), both.colours)
    if crossed.any():  # a few places only: they are pinholes as others are
        whole = with_fans_split(without_faces(whole, one_row_more(faces, crossed)), only_at_borders=True)
    return _patched(whole)


def _patched(mesh: Mesh) -> Mesh | None:
    """The mesh with its last pinholes patched; where no patch fits, also without the row of faces about them."""
    for _ in range(ROWS):
        mesh = without_crumbs(mesh)  # what a seam leaves over would be closed to bubbles
        around = Incidence(mesh.faces, len(mesh.vertices))
        result = fill(mesh, find_holes(mesh, around), around)
        if not result.refused:
            return _with_copies_apart(result.mesh) if is_closed(result.mesh.faces) else None
        loops = [hole.loop for hole, _ in result.refused]
        around = Incidence(result.mesh.faces, len(result.mesh.vertices))
        drop = np.zeros(len(result.mesh.faces), bool)
        drop[around.faces_at(np.unique(np.concatenate(loops)))] = True
        mesh = with_fans_split(without_faces(result.mesh, drop), only_at_borders=True)
    return None


def _with_copies_apart(mesh: Mesh) -> Mesh:
    """The mesh without two vertices in one place: two patches may meet along an edge whose ends were doubled."""
    suspects = repeated(triple_keys((mesh.vertices + 0.0).view(np.int64)))  # few; + 0.0 makes -0.0 and 0.0 one
    first, place = np.unique(mesh.vertices[suspects], axis=0, return_index=True, return_inverse=True)[1:]
    source = np.arange(len(mesh.vertices))
    source[suspects] = suspects[first][place.reshape(-1)]
    return replace(mesh, vertices=drawn_apart(mesh.vertices, mesh.faces, source))


def _flagged(closed: Mesh, mesh: Mesh, surface: Surface, cell: float) -> Mesh:
    """``filled`` and colours of a mesh, from the open one it was made of."""
    middles = closed.vertices[closed.faces].mean(axis=1)
    nearest, weights = surface.nearest(middles)
    far = np.linalg.norm(middles - surface.places(nearest, weights), axis=1) > MEASURED_CELLS * cell
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


def _put_back(guess: Mesh, surface: Surface, reach: float) -> Mesh:
    """Vertices near the open surface moved onto it, as far as no face at them turns over or loses its area."""
    vertices, faces = guess.vertices, guess.faces
    target = surface.places(*surface.nearest(vertices))
    near = np.linalg.norm(target - vertices, axis=1) <= reach
    before = face_vectors(vertices, faces)
    share = np.where(near, 1.0, 0.0)
    steps = iter(STEPS)
    while True:  # a spoiled face has a corner that moved; it moves less each time, in the end not at all
        moved: FloatArray = vertices + share[:, None] * (target - vertices)
        spoiled = _spoiled(before, face_vectors(moved, faces))
        if not spoiled.any():
            return Mesh(moved, faces)
        corners = np.unique(faces[spoiled])
        share[corners] = np.minimum(share[corners], next(steps, 0.0))


def _spoiled(before: FloatArray, after: FloatArray) -> BoolArray:
    """Faces that turned by more than a right angle's two thirds or shrank to a twentieth."""
    size_before, size_after = np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1)
    spoiled: BoolArray = (np.einsum("ni,ni->n", before, after) < 0.5 * size_before * size_after) | (
        size_after < 0.05 * size_before
    )
    return spoiled
