"""A capture as alignment sees it: even samples of its surface with the noise averaged out, and normals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.alignment.rim import rim
from pipeline.geometry.cloud import unit
from pipeline.geometry.gauge import Gauge, gauge
from pipeline.geometry.kinds import kinds
from pipeline.geometry.normals import oriented
from pipeline.geometry.sampling import rough_tree
from pipeline.geometry.sparse_grid import box_keys
from pipeline.geometry.surroundings import witnesses
from pipeline.part import Capture, FloatArray

SAMPLES = 6_000
"""Samples on the largest side; the others have the same spacing."""
MOST_POINTS = 80_000
"""Measured points behind the samples: enough to average the noise out, few enough to be quick."""
NEIGHBOURS = 32
FINE, LESS_FINE = 0.35, 0.7
"""Which way a bare cloud faces is told from samples this much closer, for around the lip of a thin wall few lie; where
two distances do not tell the same, it is not known."""
CLOSE, EVEN_SPACINGS = 0.5, 1.5
"""Distance of the points that pictures are drawn from, in cells; boxes of so many spacings nearly all hold a point."""
CHUNK = 4_096
MESH_POINTS = 60_000


@dataclass(frozen=True, eq=False)
class Measured:
    """The measured points of one capture, thinned at random to what is needed.

    Attributes
    ----------
    points : (n, 3) millimetres, capture frame
    normals : (n, 3) as the scanner gave them, or None
    spacing : of these points, millimetres
    noise : standard deviation about the smooth surface, millimetres
    tree : over ``points``
    up : (3,) away from the table, where the capture knows one; nobody scans from below it
    around : (k, 3) places of what stood around the part and was removed, or None
    """

    name: str
    points: FloatArray
    normals: FloatArray | None
    spacing: float
    noise: float
    tree: cKDTree
    up: FloatArray | None
    around: FloatArray | None

    @property
    def area(self) -> float:
        return len(self.points) * self.spacing**2


@dataclass(frozen=True, eq=False)
class Side:
    """Even samples of one capture's surface.

    Attributes
    ----------
    points : (n, 3) on the smooth surface through the measured points, millimetres, capture frame
    normals : (n, 3) unit vectors out of the surface
    cell : distance between samples, millimetres
    noise : of the measured points, millimetres
    blur : (n,) standard deviation of the measured points about the local surface; large at edges
    outside_sure : 0 to 1, how clearly the outside is told from the inside; 1 when the scanner or the table told it
    facing_known : (n,) whether it is known which way the surface faces, if the outside of the whole is
    facing_given : whether the capture said which way its surface faces; found here, a small face may be the wrong way
    up, around : as ``Measured`` has them
    close : (m, 3) measured points, evenly spread and ``closeness`` apart, millimetres: denser than the samples, as
        small openings need it that are looked through
    """

    name: str
    points: FloatArray
    normals: FloatArray
    cell: float
    noise: float
    blur: FloatArray
    outside_sure: float
    facing_known: NDArray[np.bool_]
    facing_given: bool
    up: FloatArray | None
    around: FloatArray | None
    close: FloatArray
    closeness: float

    def __len__(self) -> int:
        return len(self.points)

    @cached_property
    def size(self) -> float:
        """Diagonal of the box around the samples, millimetres."""
        return float(np.linalg.norm(np.ptp(self.points, axis=0)))

    @cached_property
    def centre(self) -> FloatArray:
        return np.asarray(self.points.mean(axis=0), np.float64)

    @cached_property
    def tree(self) -> cKDTree:
        return rough_tree(self.points)

    @cached_property
    def plain(self) -> NDArray[np.bool_]:
        """(n,) True away from edges, where the local surface fits as the noise allows."""
        return np.asarray(self.blur < 2.5 * max(float(np.median(self.blur)), 1e-12), np.bool_)

    @cached_property
    def rim(self) -> NDArray[np.bool_]:
        """(n,) True at open ends of what was scanned: beyond them the surface may go on, unseen."""
        return rim(self.points, self.normals, self.tree, self.cell)

    @cached_property
    def placed(self) -> NDArray[np.bool_]:
        """(n,) True where the surface is known, up to its open ends: away from edges, and the way it faces is sure."""
        return np.asarray(self.plain & self.facing_known, np.bool_)

    @cached_property
    def sure(self) -> NDArray[np.bool_]:
        """(n,) True where the surface and its surroundings are known: away from open ends as well."""
        return np.asarray(self.placed & ~self.rim, np.bool_)

    def turned_inside_out(self) -> Side:
        """The same samples facing the other way."""
        return replace(self, normals=-self.normals, outside_sure=1.0)


def spread(side: Side, count: int) -> NDArray[np.int64]:
    """Indices of about ``count`` samples, evenly spread: every so many in the order of their places."""
    return np.unique(np.linspace(0, len(side) - 1, min(count, len(side))).astype(np.int64))


def measured(capture: Capture) -> Measured:
    """The points to work with; a mesh is sampled over its faces."""
    points = capture.points
    normals = None if capture.normals is None else np.asarray(capture.normals, np.float64)
    rng = np.random.default_rng(0)
    if capture.faces is not None and len(capture.faces):
        points, normals = _over_faces(capture, rng)
    elif len(points) > MOST_POINTS:
        keep = np.sort(rng.choice(len(points), MOST_POINTS, replace=False))
        points, normals = points[keep], None if normals is None else normals[keep]
    tree = rough_tree(points)
    lengths = gauge(points, tree) if len(points) > 1 else Gauge(0.0, 0.0)
    up = None if capture.support_plane is None else capture.support_plane[:3]
    around = witnesses(capture)
    places = None if around is None else around.points
    return Measured(capture.name, points, normals, lengths.spacing, lengths.noise, tree, up, places)


def side(found: Measured, cell: float, reach: float) -> Side:
    """Even samples of a capture, facing out of its surface.

    Parameters
    ----------
    cell : wanted distance between samples, millimetres
    reach : how far the measured points around a sample count, millimetres
    """
    points, normals, blur = _even(found, cell, reach)
    given = found.normals is not None
    sure, known = 1.0, np.ones(len(points), np.bool_)
    if not given:
        turn, sure = _outward(found, points, normals, FINE * cell, reach)
        other, _ = _outward(found, points, normals, LESS_FINE * cell, reach)
        normals, known = normals * turn[:, None], turn == other
        if known.mean() < 0.5:  # one of them took all of it inside out, which is asked elsewhere
            known = ~known
    closeness = max(CLOSE * cell, EVEN_SPACINGS * found.spacing)
    close = found.points[_one_to_a_box(found.points, closeness)]
    return Side(
        name=found.name,
        points=points,
        normals=normals,
        cell=cell,
        noise=found.noise,
        blur=blur,
        outside_sure=sure,
        facing_known=known,
        facing_given=given,
        up=found.up,
        around=found.around,
        close=close,
        closeness=closeness,
    )


def _one_to_a_box(points: FloatArray, edge: float) -> NDArray[np.int64]:
    """(k,) indices of the first point in each box, in rising order."""
    return np.sort(kinds(box_keys(points / edge)).first)


def _outward(
    found: Measured, points: FloatArray, normals: FloatArray, cell: float, reach: float
) -> tuple[FloatArray, float]:
    """(n,) +1 or -1 that turn the normals of samples out of the surface, and how sure that is."""
    close, facing, _ = _even(found, cell, reach)
    tree = rough_tree(close)
    _, around = tree.query(close, k=min(12, len(close)), workers=-1)
    facing, sure = oriented(close, facing, np.asarray(around, np.int32), up=found.up)
    agrees = np.einsum("ni,ni->n", normals, facing[tree.query(points, workers=-1)[1]])
    return np.where(agrees < 0, -1.0, 1.0), sure


def _even(found: Measured, cell: float, reach: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """One sample in each box of the size ``cell``, moved onto the quadric through the measured points around it.

    A first plane through the nearest eight; twice the plane through those that lie near the plane before, so that
    the other face of a thin wall does not count; then a quadric over the same points. Fitting a quadric, not taking
    a mean, keeps curved surfaces where they are.

    Returns
    -------
    Places (n, 3), normals (n, 3) and blur (n,).
    """
    chosen = _one_to_a_box(found.points, cell)
    within = min(NEIGHBOURS, len(found.points))
    points, normals, blur = (np.empty((len(chosen), 3)), np.empty((len(chosen), 3)), np.empty(len(chosen)))
    thickness = max(3 * found.noise, 0.35 * found.spacing)
    for start in range(0, len(chosen), CHUNK):
        part = slice(start, start + CHUNK)
        _, index = found.tree.query(found.points[chosen[part]], k=within, workers=-1)
        sign = None if found.normals is None else found.normals[index]
        points[part], normals[part], blur[part] = _smoothed(
            found.points[chosen[part]], found.points[index], sign, thickness, reach
        )
    return points, normals, blur


def sides(captures: list[Measured], samples: int = SAMPLES) -> list[Side]:
    """All captures sampled alike: same spacing, same reach, so that edges look alike on each.

    Parameters
    ----------
    samples : about so many on the largest, if it was measured as densely
    """
    area = max(found.area for found in captures)
    coarsest = max(found.spacing for found in captures)
    cell = max(float(np.sqrt(area / samples)), coarsest)
    reach = max(2.2 * coarsest, 6 * max(found.noise for found in captures))
    return [side(found, cell, reach) for found in captures]


def _smoothed(
    at: FloatArray, around: FloatArray, given: FloatArray | None, thickness: float, reach: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    offset = around - at[:, None]
    weight = np.exp(-np.einsum("nki,nki->nk", offset, offset) / reach**2)
    if given is not None:
        agrees = np.einsum("nki,ni->nk", given, given[:, 0]) > 0
        weight = weight * np.maximum(agrees, 1e-9)
    normal = _smallest_axis(offset[:, :8], weight[:, :8])
    for _ in range(2):
        height = np.einsum("nki,ni->nk", offset, normal)
        height -= np.median(height[:, :8], axis=1, keepdims=True)
        normal = _smallest_axis(offset, weight * np.exp(-((height / thickness) ** 2)) + 1e-12)
    height = np.einsum("nki,ni->nk", offset, normal)
    near = np.median(height[:, :8], axis=1, keepdims=True)
    weight = weight * np.exp(-(((height - near) / (2 * thickness)) ** 2)) + 1e-12
    other = unit(np.cross(normal, np.eye(3)[np.argmin(np.abs(normal), axis=1)]))
    third = np.cross(normal, other)
    u = np.einsum("nki,ni->nk", offset, other) / reach
    v = np.einsum("nki,ni->nk", offset, third) / reach
    design = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    weighted = design * weight[..., None]
    matrix = np.einsum("nki,nkj->nij", weighted, design)
    matrix[:, range(6), range(6)] += 1e-4 * weight.sum(axis=1)[:, None] * np.array([0, 0.01, 0.01, 1, 1, 1])
    solution = np.linalg.solve(matrix, np.einsum("nki,nk->ni", weighted, height)[..., None])[..., 0]
    residual = height - np.einsum("nki,ni->nk", design, solution)
    total = weight.sum(axis=1)
    blur = np.sqrt((weight * residual**2).sum(axis=1) / total)
    moved = at + solution[:, :1] * normal
    slope = unit(normal - (solution[:, 1:2] * other + solution[:, 2:3] * third) / reach)
    if given is not None:
        slope *= np.where(np.einsum("ni,ni->n", slope, np.einsum("nk,nki->ni", weight, given)) < 0, -1.0, 1.0)[:, None]
    return moved, slope, blur


def _smallest_axis(offset: FloatArray, weight: FloatArray) -> FloatArray:
    weight = weight / weight.sum(axis=1, keepdims=True)
    centred = offset - np.einsum("nk,nki->ni", weight, offset)[:, None]
    spread = np.matmul((centred * weight[..., None]).transpose(0, 2, 1), centred)
    return np.asarray(np.linalg.eigh(spread)[1][:, :, 0], float)


def _over_faces(capture: Capture, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    assert capture.faces is not None
    corners = capture.points[capture.faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1)
    face = np.sort(rng.choice(len(area), MESH_POINTS, p=area / area.sum()))
    share = np.sort(rng.uniform(size=(len(face), 2)), axis=1)
    weights = np.column_stack([share[:, 0], share[:, 1] - share[:, 0], 1 - share[:, 1]])
    return np.einsum("nk,nki->ni", weights, corners[face]), unit(cross[face])
