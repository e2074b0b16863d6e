"""How firmly a surface holds a rigid motion, and which motions it leaves free, in words.

A surface that is laid on itself resists a small motion only where points would leave along their normals. The sum
of these resistances is a 6x6 matrix; its eigenvectors with small eigenvalues are the motions under which the surface
slides along itself (Gelfand, Ikemoto, Rusinkiewicz and Levoy, "Geometrically stable sampling for the ICP algorithm",
2003; Gelfand and Guibas, "Shape segmentation using local slippage analysis", 2004). The same matrix gives the
covariance of a pose that was fitted to noisy points (Censi, "An accurate closed-form estimate of ICP's covariance",
2007). It cannot see discrete symmetries: a cube is firm, and yet there are 24 ways to lay it on itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.part import FloatArray

FREE_RATIO = 0.02
"""Below this share of the largest eigenvalue a motion is free."""
WEAK_RATIO = 0.10
"""Below this share a motion is weakly held."""
SAME_AXIS_DEG = 20.0
NO_TURN = 0.15
"""Share of a unit motion that is turn, below which the motion is called a slide."""


@dataclass(frozen=True, eq=False, slots=True)
class Motion:
    """A small motion: a turn about an axis, a slide along it, or both at once.

    Attributes
    ----------
    turn : (3,) rotation vector of the unit motion; zero for a pure slide
    slide : (3,) velocity of the surface's centre, in units of the surface's mean radius
    axis : (3,) unit direction of the turn, or of the slide
    through : (3,) a point on the axis, millimetres
    ratio : eigenvalue over the largest one
    words : what it is, for people
    """

    turn: FloatArray
    slide: FloatArray
    axis: FloatArray
    through: FloatArray
    ratio: float
    words: str


@dataclass(frozen=True, eq=False, slots=True)
class Constraint:
    """What holds a surface in place.

    Attributes
    ----------
    matrix : (6, 6) sum of the rows' outer products, turns first, lengths divided by ``length``
    centre : (3,) where turns are taken about, millimetres
    length : mean distance of the points from the centre, millimetres
    axes : (3, 3) rows are the principal directions of the points, longest first
    spread : (3,) standard deviations along ``axes``, millimetres
    """

    matrix: FloatArray
    centre: FloatArray
    length: float
    axes: FloatArray
    spread: FloatArray

    def ratios(self) -> FloatArray:
        """(6,) eigenvalues over the largest, ascending."""
        values = np.maximum(np.linalg.eigvalsh(self.matrix), 0.0)
        return np.asarray(values / max(float(values[-1]), np.finfo(float).tiny), np.float64)

    def motions(self, below: float = FREE_RATIO) -> tuple[Motion, ...]:
        """The motions whose share of the largest eigenvalue is under ``below``, slides first."""
        _, vectors = np.linalg.eigh(self.matrix)
        ratios = self.ratios()
        return self._named(vectors[:, ratios < below], ratios)

    def covariance(self, noise_mm: float) -> FloatArray:
        """(6, 6) covariance of a pose fitted with independent errors along the normals: turns in radians, then mm.

        Optimistic where neighbouring points share their errors, as in real scans.
        """
        scale = np.repeat([1.0 / self.length, 1.0], 3)
        return np.asarray(noise_mm**2 * np.linalg.inv(self.matrix) * np.outer(scale, scale), np.float64)

    def displacement_mm(self, noise_mm: float) -> float:
        """Predicted standard deviation of the pose, as the root mean square motion of the points, millimetres."""
        values, vectors = np.linalg.eigh(self.matrix)
        # Mean square displacement of the points under a unit motion along each eigenvector.
        moment = self.spread**2 / self.length**2
        turn = np.einsum("ik,ij->jk", vectors[:3], self.axes.T)  # turns in principal axes: (3, 6)
        reach = (turn**2 * (moment.sum() - moment)[:, None]).sum(axis=0) + (vectors[3:] ** 2).sum(axis=0)
        variance = reach / np.maximum(values, np.finfo(float).tiny)
        return float(noise_mm * np.sqrt(variance.sum()))

    def _named(self, free: FloatArray, ratios: FloatArray) -> tuple[Motion, ...]:
        """The free space's slides, and its turns with as little slide as they can have."""
        if free.shape[1] == 0:
            return ()
        _, strength, mixture = np.linalg.svd(free[:3])
        pure = np.append(strength, np.zeros(free.shape[1]))[: free.shape[1]] < NO_TURN
        slides, rest = free @ mixture[pure].T, free @ mixture[~pure].T
        found = [self._slide(slides[3:, k], float(ratios[k])) for k in range(slides.shape[1])]
        every_way = rest.shape[1] == 3
        found += [self._turn(rest[:, k], float(ratios[slides.shape[1] + k]), every_way) for k in range(rest.shape[1])]
        return tuple(found)

    def _slide(self, velocity: FloatArray, ratio: float) -> Motion:
        axis = _towards_positive(velocity / np.linalg.norm(velocity))
        return Motion(np.zeros(3), axis, axis, self.centre, ratio, f"can slide along {self.called(axis)}")

    def _turn(self, motion: FloatArray, ratio: float, every_way: bool) -> Motion:
        turn, slide = motion[:3], motion[3:]
        size = float(np.linalg.norm(turn))
        axis = turn / size
        through = self.centre + self.length * np.cross(turn, slide) / size**2
        pitch = float(slide @ axis) / size
        if every_way:
            words = "can turn about a point, every way"
        elif abs(pitch) > 0.1:
            rise = 2 * np.pi * abs(pitch) * self.length
            words = f"can move like a screw along {self.called(axis)} ({rise:.1f} mm a turn)"
        else:
            words = f"can turn about {self.called(axis)}"
        return Motion(turn, slide, _towards_positive(axis), through, ratio, words)

    def called(self, axis: FloatArray) -> str:
        """A direction of the capture whose surface this is, named after the part's own where these are distinct."""
        cosines = np.abs(self.axes @ axis)
        best = int(np.argmax(cosines))
        long, middle, short = self.spread
        if cosines[best] > np.cos(np.deg2rad(SAME_AXIS_DEG)):
            if best == 0 and long > 1.15 * middle:
                return "the part's long axis"
            if best == 2 and middle > 1.15 * short:
                return "the part's short axis"
        x, y, z = axis
        return f"the direction ({x:.2f}, {y:.2f}, {z:.2f}) of the capture's own frame"


def constraint(points: FloatArray, normals: FloatArray, weights: FloatArray | None = None) -> Constraint:
    """The 6x6 matrix of a surface laid on itself.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) unit vectors
    weights : (n,) how much each point counts; all alike when not given
    """
    weights = np.ones(len(points)) if weights is None else weights
    total = max(float(weights.sum()), np.finfo(float).tiny)
    centre = weights @ points / total
    local = points - centre
    length = max(float(weights @ np.linalg.norm(local, axis=1)) / total, np.finfo(float).tiny)
    rows = np.hstack([np.cross(local / length, normals), normals])
    values, vectors = np.linalg.eigh((local * weights[:, None]).T @ local / total)
    order = np.argsort(values)[::-1]
    return Constraint(
        matrix=(rows * weights[:, None]).T @ rows,
        centre=centre,
        length=length,
        axes=vectors[:, order].T,
        spread=np.sqrt(np.maximum(values[order], 0.0)),
    )


def free_ratio(normal_error_rad: float) -> float:
    """Share of the largest eigenvalue below which a motion is free with noisy normals: (3 sigma)^2, at least 0.02.

    Noisy normals resist a little even where nothing holds. Use the median error of the normals: their root mean
    square is spoilt by edges.
    """
    return max(FREE_RATIO, (3.0 * normal_error_rad) ** 2)


def _towards_positive(axis: FloatArray) -> FloatArray:
    """The axis, signed so that its largest component is positive: the same words for the same axis."""
    return np.asarray(axis * np.sign(axis[np.argmax(np.abs(axis))]), np.float64)
