"""Planes, balls and cylinders through points, by least squares of the orthogonal distances.

The distance of each point along the surface's normal is what is made small (geometric fit: Gander, Golub and Strebel,
"Least-squares fitting of circles and ellipses", 1994), not the residual of an equation, which gives other circles.
Gauss-Newton with halved steps; the start is the algebraic fit for balls and the normals or the principal directions
for cylinders.

Form is the range of the signed distances about the least-squares shape. It can only be larger than the minimum zone
that ISO 1101 means, and with noisy points it grows with their number: compare it only at equal numbers and equal
shares left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.part import BoolArray, FloatArray

Kind = Literal["plane", "sphere", "cylinder"]
FEWEST: dict[str, int] = {"plane": 3, "sphere": 4, "cylinder": 5}
STEPS = 100
SMALL = 1e-14
LEAST_STRENGTH = 1e-12
"""What the points say of the parameter they say least of, as a share of that they say most of, below which they say
nothing."""
LEAST_RADIUS = 1e-6
"""Least radius of a cylinder as a share of the points' mean distance from their middle."""


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """A shape through points.

    Attributes
    ----------
    kind : what it is
    centre : (3,) of a ball; of a plane the middle of the points; of a cylinder the place of its axis beside that
    axis : (3,) unit normal of a plane, direction of a cylinder; zero for a ball
    radius : millimetres; 0 for a plane
    residuals : (n,) signed distances of the points, positive outside the shape (along ``axis`` for a plane), mm
    radius_deviation : predicted standard deviation of the radius, mm, from the residuals and the points' places, as if
        their errors were independent; 0 for a plane
    used : (n,) False for points left out
    """

    kind: Kind
    centre: FloatArray
    axis: FloatArray
    radius: float
    residuals: FloatArray
    radius_deviation: float
    used: BoolArray

    @property
    def form(self) -> float:
        """Range of the residuals of the points used, mm."""
        return float(np.ptp(self.residuals[self.used]))

    @property
    def rms(self) -> float:
        """Root mean square of the residuals of the points used, mm."""
        return float(np.sqrt(np.mean(self.residuals[self.used] ** 2)))

    @property
    def blown_up(self) -> float:
        """How many times the radius is less sure than through as many points all round; 1 for a plane."""
        if self.kind == "plane" or self.rms == 0.0:
            return 1.0
        return self.radius_deviation * float(np.sqrt(self.used.sum())) / self.rms

    def distance(self, points: FloatArray) -> FloatArray:
        """(n,) signed distances of points, mm."""
        local = points - self.centre
        if self.kind == "plane":
            return np.asarray(local @ self.axis)
        return np.asarray(np.linalg.norm(local - np.outer(local @ self.axis, self.axis), axis=1) - self.radius)

    def normals(self, points: FloatArray) -> FloatArray:
        """(n, 3) the shape's unit normals at points, away from its middle."""
        if self.kind == "plane":
            return np.broadcast_to(self.axis, points.shape)
        local = points - self.centre
        local = local - np.outer(local @ self.axis, self.axis)
        return np.asarray(local / np.maximum(np.linalg.norm(local, axis=1, keepdims=True), np.finfo(float).tiny))


def fitted(
    kind: Kind,
    points: FloatArray,
    weights: FloatArray | None = None,
    *,
    axis: FloatArray | None = None,
    left_out: float = 0.0,
) -> Fit | None:
    """A shape through points; where wanted once more without those that lie farthest off.

    Parameters
    ----------
    points : (n, 3), millimetres
    weights : (n,) how much each counts; all alike when not given
    axis : (3,) about where a cylinder's axis points, when something is known
    left_out : largest share of the points that may be left out as outliers before the second fit

    Returns
    -------
    None when the points are too few, or determine no such shape.
    """
    weights = np.ones(len(points)) if weights is None else weights
    used = np.ones(len(points), bool)
    found = _once(kind, points, weights, axis, used)
    drop = int(left_out * len(points))
    if found is None or drop == 0:
        return found
    used[np.argsort(-np.abs(found.residuals), kind="stable")[:drop]] = False
    return _once(kind, points, weights, found.axis if kind == "cylinder" else None, used) or found


def fit_ball(points: FloatArray, weights: FloatArray | None = None) -> tuple[FloatArray, float, float] | None:
    """Centre (d,), radius and its predicted deviation of the circle (d = 2) or ball (d = 3) through points (n, d)."""
    weights = np.ones(len(points)) if weights is None else weights
    if len(points) < points.shape[1] + 1:
        return None
    middle = points.mean(axis=0)
    local = points - middle
    scale = max(float(np.linalg.norm(local, axis=1).mean()), np.finfo(float).tiny)
    local = local / scale
    design = np.column_stack([2 * local, np.ones(len(local))])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    start = np.linalg.lstsq(design * np.sqrt(weights)[:, None], (local**2).sum(axis=1) * np.sqrt(weights), rcond=None)[
        0
    ]
    radius = np.sqrt(max(start[-1] + start[:-1] @ start[:-1], SMALL))

    def distances(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        arms = local - at[:-1]
        length = np.maximum(np.linalg.norm(arms, axis=1), np.finfo(float).tiny)
        return length - at[-1], np.column_stack([-arms / length[:, None], -np.ones(len(arms))])

    solved = _least_squares(distances, np.append(start[:-1], radius), weights)
    if solved is None:
        return None
    at, spread = solved
    return middle + scale * at[:-1], scale * float(at[-1]), scale * float(spread[-1])


def axis_from_normals(normals: FloatArray, weights: FloatArray | None = None) -> FloatArray:
    """(3,) the direction to which the normals (n, 3) of a cylinder's surface are all square."""
    weights = np.ones(len(normals)) if weights is None else weights
    axis: FloatArray = np.linalg.eigh((normals * weights[:, None]).T @ normals)[1][:, 0]
    return axis


def _once(kind: Kind, points: FloatArray, weights: FloatArray, axis: FloatArray | None, used: BoolArray) -> Fit | None:
    some, weight = points[used], weights[used]
    if len(some) < FEWEST[kind]:
        return None
    centre, radius, deviation = some.mean(axis=0), 0.0, 0.0
    if kind == "plane":
        plane = _plane(some, weight)
        if plane is None:
            return None
        centre, axis = plane
    elif kind == "sphere":
        ball = fit_ball(some, weight)
        if ball is None:
            return None
        (centre, radius, deviation), axis = ball, np.zeros(3)
    else:
        tube = _cylinder(some, weight, axis)
        if tube is None:
            return None
        centre, axis, radius, deviation = tube
    fit = Fit(kind, centre, axis, radius, np.zeros(len(points)), deviation, used.copy())
    return Fit(kind, centre, axis, radius, fit.distance(points), deviation, used.copy())


def _plane(points: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    centre = weights @ points / weights.sum()
    _, strength, axes = np.linalg.svd((points - centre) * np.sqrt(weights)[:, None], full_matrices=False)
    return None if strength[1] <= 1e-9 * strength[0] else (centre, axes[2])


def _cylinder(
    points: FloatArray, weights: FloatArray, axis: FloatArray | None
) -> tuple[FloatArray, FloatArray, float, float] | None:
    starts = [axis] if axis is not None else list(np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2])
    found = [tube for start in starts if (tube := _cylinder_from(points, weights, start)) is not None]
    return min(found, key=lambda tube: tube[4])[:4] if found else None


def _cylinder_from(
    points: FloatArray, weights: FloatArray, axis: FloatArray
) -> tuple[FloatArray, FloatArray, float, float, float] | None:
    """Centre, axis, radius, its deviation, and the sum of squares, from a start near the axis."""
    frame = np.linalg.svd(axis[None])[2][(1, 2, 0), :]
    middle = points.mean(axis=0)
    scale = max(float(np.linalg.norm(points - middle, axis=1).mean()), np.finfo(float).tiny)
    local = (points - middle) @ frame.T / scale
    circle = fit_ball(local[:, :2], weights)
    if circle is None:
        return None

    def distances(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Distances to an axis through (x, y, 0) along (a, b, 1), and their slopes by x, y, a, b, r."""
        direction = np.array([at[2], at[3], 1.0])
        length = np.linalg.norm(direction)
        arms = local - np.array([at[0], at[1], 0.0])
        along = arms @ direction / length**2
        across = arms - along[:, None] * direction
        distance = np.maximum(np.linalg.norm(across, axis=1), np.finfo(float).tiny)
        outward = across / distance[:, None]
        slopes = [-outward[:, 0], -outward[:, 1], -along * outward[:, 0], -along * outward[:, 1], -np.ones(len(arms))]
        return distance - at[4], np.column_stack(slopes)

    solved = _least_squares(distances, np.array([*circle[0], 0.0, 0.0, circle[1]]), weights)
    if solved is None:
        return None
    at, spread = solved
    direction = np.array([at[2], at[3], 1.0])
    direction /= np.linalg.norm(direction)
    on_axis = np.array([at[0], at[1], 0.0])
    on_axis -= (on_axis @ direction) * direction  # beside the middle of the points
    if at[4] <= LEAST_RADIUS:
        return None  # the points lie in a line
    off = distances(at)[0]
    squares = float(weights @ off**2)
    return middle + scale * on_axis @ frame, direction @ frame, scale * float(at[4]), scale * float(spread[4]), squares


def _least_squares(
    distances: Callable[[FloatArray], tuple[FloatArray, FloatArray]], start: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    """Gauss-Newton: the parameters, and their predicted standard deviations; None when they are not determined."""
    at, root = start, np.sqrt(weights)
    off, slopes = distances(at)
    for _ in range(STEPS):
        step, _, rank, _ = np.linalg.lstsq(slopes * root[:, None], -off * root, rcond=LEAST_STRENGTH)
        if rank < len(at) or not np.isfinite(step).all():
            return None
        best = float(weights @ off**2)
        for halving in range(30):
            tried = at + step / 2**halving
            new_off, new_slopes = distances(tried)
            if weights @ new_off**2 <= best:
                break
        else:
            break
        at, off, slopes = tried, new_off, new_slopes
        if np.abs(step).max() / 2**halving < SMALL:
            break
    count = len(off)
    variance = float(weights @ off**2 / weights.sum()) * count / max(count - len(at), 1)
    triangle = np.linalg.qr(slopes * np.sqrt(weights * count / weights.sum())[:, None], mode="r")
    _, strength, ways = np.linalg.svd(triangle)
    if strength[-1] <= LEAST_STRENGTH * strength[0]:
        return None
    return at, np.sqrt(variance * ((ways / strength[:, None]) ** 2).sum(axis=0))
