"""The direction of a part's upright flat faces: the secondary datum of anything that was machined or cast square."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.cloud import unit
from pipeline.geometry.edges import edges_of, face_components
from pipeline.geometry.measure import face_vectors
from pipeline.geometry.weights import tukey
from pipeline.part import FloatArray, LongArray, Mesh

UPRIGHT_DEG = 8.0
WINDOW_DEG = 6.0
"""Faces whose direction is this close to the common one belong to it; noise tilts small triangles."""
LEAST_SHARE = 0.02
"""Flat upright faces with less than this share of the whole area are no datum."""
PROMINENCE = 0.3
"""They must stand out of what looks a little beside them by this share of it."""
LEAST_END, LEAST_ROUND_END = 0.004, 0.003
"""A flat end face has at least the first share of the whole area; of a round end the second faces that way."""
END = 0.05
"""It lies this close to the part's end, as a share of the part's size."""
GROWN = 4.0
FLAT = 1.2
"""Within a band GROWN times wider it has at most FLAT times the area."""
FACING_DEG = 12.0
ROUND_END_DEG = 2 * FACING_DEG
"""What faces this far aside of a round end's direction no longer belongs to it."""
SMALLEST_PIECE = 0.002
ROUNDS = 8
NOISES = 3.0
COARSEST = 0.005
"""The first band about a piece's plane, as a share of the part's size."""
BINS = 180


def upright_turn(mesh: Mesh, up: FloatArray, across: FloatArray, noise_mm: float) -> float | None:
    """Angle of the common direction of upright flat faces, modulo a right angle, or None where there is none.

    Faces count by their direction modulo a right angle, as those of a box are one. The angle is refined by least
    squares: over each connected flat piece the slope of its middles against the common direction, all pieces together.

    Parameters
    ----------
    up : (3,) unit vector
    across : (2, 3) two unit vectors across it, right-handed with it
    noise_mm : standard deviation of the measured points

    Returns
    -------
    Radians in the plane of ``across``, 0 to pi/2.
    """
    vectors = face_vectors(mesh.vertices, mesh.faces)
    area = np.linalg.norm(vectors, axis=1) / 2
    normals = unit(vectors)
    upright = (np.abs(normals @ up) < np.sin(np.radians(UPRIGHT_DEG))) & ~mesh.filled
    flat = normals @ across.T
    angle = np.arctan2(flat[:, 1], flat[:, 0])
    weight = np.where(upright, area, 0.0)
    common = _peak(angle, weight, area.sum())
    if common is None:
        return None
    middle = mesh.vertices[mesh.faces].mean(axis=1) @ across.T
    size = float(np.ptp(middle, axis=0).max())
    for k in range(ROUNDS):
        band = max(NOISES * noise_mm, COARSEST * size / 2**k, 1e-5 * size)
        near = np.flatnonzero((weight > 0) & (np.abs(_apart(angle, common)) < np.radians(WINDOW_DEG)))
        common += _slope(mesh, near, angle[near], area, middle[near], common, band)
    return float(common % (np.pi / 2))


def middle_between(mesh: Mesh, direction: FloatArray, noise_mm: float, *, round_ends: bool) -> float | None:
    """Where the middle between the outermost faces across a direction lies along it, millimetres.

    Each is a plane across ``direction`` through measured faces at that end of the part; where round ends count and not
    both are flat, the mean place of what faces that way there. None where one is missing, as at a tip.
    """
    vectors = face_vectors(mesh.vertices, mesh.faces)
    area = np.linalg.norm(vectors, axis=1) / 2
    cosine = unit(vectors) @ direction
    at = mesh.vertices[mesh.faces].mean(axis=1) @ direction
    measured = np.where(mesh.filled, 0.0, area)
    top, bottom = (_end(sign * at, sign * cosine, measured, float(area.sum())) for sign in (1, -1))
    if top is None or bottom is None:
        return None
    # Both by the same rule: of a cap that passes for flat at one end only, the middle would lie beside the middle.
    high, low = _flat_place(top, noise_mm), _flat_place(bottom, noise_mm)
    if round_ends and (high is None or low is None):
        high, low = _round_place(top), _round_place(bottom)
    return None if high is None or low is None else (high - low) / 2


@dataclass(frozen=True, eq=False, slots=True)
class _End:
    """One end of a part, seen as its top.

    Attributes
    ----------
    height, cosine, area : (n,) of every face: of its middle, to straight up, and measured
    facing : those measured faces that look up
    begin : height below which faces begin to be an end, and not single ones
    size, whole : of the part, along the direction and in area
    """

    height: FloatArray
    cosine: FloatArray
    area: FloatArray
    facing: LongArray
    begin: float
    size: float
    whole: float


def _end(height: FloatArray, cosine: FloatArray, area: FloatArray, whole: float) -> _End | None:
    """The end; None where the faces that look that way lie far from the last of the part."""
    facing = np.flatnonzero((cosine > np.cos(np.radians(FACING_DEG))) & (area > 0))
    order = facing[np.argsort(-height[facing], kind="stable")]
    layer = np.searchsorted(np.cumsum(area[order]), LEAST_ROUND_END / 2 * whole)
    size = float(np.ptp(height))
    if layer >= len(order) or height.max() - height[order[layer]] > END * size:
        return None
    return _End(height, cosine, area, facing, float(height[order[layer]]), size, whole)


def _flat_place(end: _End, noise: float) -> float | None:
    """Height of a flat end; None where it is too small, or round: its area grows with its depth."""
    height, area = end.height[end.facing], end.area[end.facing]
    place, band = end.begin, COARSEST * end.size + NOISES * noise
    for _ in range(ROUNDS):
        near = np.abs(height - place) < band
        place = float(area[near] @ height[near]) / float(area[near].sum())
        spread = float(area[near] @ (height[near] - place) ** 2) / float(area[near].sum())
        band = max(NOISES * float(np.sqrt(spread)), NOISES * noise)
    wider = np.abs(height - place) < GROWN * band
    return None if area[near].sum() < max(LEAST_END * end.whole, area[wider].sum() / FLAT) else place


def _round_place(end: _End) -> float | None:
    """Mean height of what faces up; None where that is too little.

    Faces count the less, the farther they turn aside and the deeper they lie. Nothing is cut off sharply, not even
    where the depths begin, so no single face of a reduced surface, in or out, moves the end.
    """
    height, facing, deepest = end.height, end.facing, END * end.size
    if end.area[facing[height[facing] > end.begin - deepest]].sum() < LEAST_ROUND_END * end.whole:
        return None
    aside = np.degrees(np.arccos(np.clip(end.cosine, -1.0, 1.0)))
    weight = end.area * tukey(aside, ROUND_END_DEG)
    order = np.argsort(-height, kind="stable")
    passed = np.cumsum(weight[order]) - weight[order] / 2
    first = np.interp(LEAST_ROUND_END / 2 * end.whole, passed, height[order])
    weight *= tukey(np.maximum(first - height, 0.0), deepest)
    return float(weight @ height) / float(weight.sum())


def _apart(angle: FloatArray, common: float) -> FloatArray:
    """(n,) difference to the common direction, modulo a right angle, -pi/4 to pi/4."""
    quarter = np.pi / 2
    return np.asarray((angle - common + quarter / 2) % quarter - quarter / 2)


def _peak(angle: FloatArray, weight: FloatArray, whole: float) -> float | None:
    """The direction that stands out of its surroundings: round walls look every way alike."""
    bins = np.floor((angle % (np.pi / 2)) / (np.pi / 2) * BINS).astype(int) % BINS
    share = np.bincount(bins, weight, minlength=BINS)
    half = round(WINDOW_DEG / 90 * BINS)
    window = np.asarray(sum(np.roll(share, k) for k in range(-half, half + 1)))
    beside = (np.roll(window, 2 * half + 1) + np.roll(window, -2 * half - 1)) / 2
    best = int(np.argmax(window - beside))
    if window[best] - beside[best] < max(LEAST_SHARE * whole, PROMINENCE * beside[best]):
        return None
    near = np.abs(_apart(angle, (best + 0.5) / BINS * np.pi / 2)) < np.radians(WINDOW_DEG)
    return float(np.angle((weight * near * np.exp(4j * angle)).sum()) / 4)


def _slope(
    mesh: Mesh, near: LongArray, angle: FloatArray, area: FloatArray, middle: FloatArray, common: float, band: float
) -> float:
    """By how much the flat pieces are turned against the common direction, radians.

    Faces farther than ``band`` (mm) from their piece's plane hardly count: rounded edges lead from piece to piece.
    """
    # Each face looks along one of the four directions; its tangent is that direction turned by a right angle.
    quarter = np.round((angle - common) / (np.pi / 2)).astype(int) % 4
    facing = quarter * np.pi / 2 + common
    piece = _pieces(mesh, near, quarter)
    along = np.column_stack([np.cos(facing), np.sin(facing)])
    height, run = (along * middle).sum(axis=1), (np.column_stack([-along[:, 1], along[:, 0]]) * middle).sum(axis=1)
    large = np.bincount(piece, area[near])[piece] > SMALLEST_PIECE * area.sum()
    weight = np.where(large, area[near], 0.0)
    slope = 0.0
    for _ in range(ROUNDS):
        total = np.maximum(np.bincount(piece, weight), np.finfo(float).tiny)
        off = height - (np.bincount(piece, weight * height) / total)[piece]
        aside = run - (np.bincount(piece, weight * run) / total)[piece]
        spread = float(weight @ aside**2)
        if spread == 0.0:
            return 0.0
        slope = float(weight @ (off * aside) / spread)
        weight = np.where(large, area[near], 0.0) / (1 + ((off - slope * aside) / band) ** 2) ** 2
    return float(-np.arctan(slope))


def _pieces(mesh: Mesh, near: LongArray, quarter: LongArray) -> LongArray:
    """(n,) connected piece of each face; a sharp corner parts what looks two ways."""
    piece = np.zeros(len(near), np.int64)
    for k in range(4):
        chosen = np.flatnonzero(quarter == k)
        faces = mesh.faces[near[chosen]]
        if len(chosen):
            piece[chosen] = face_components(faces, edges_of(faces)) + piece.max() + 1
    return piece
