"""The planes a scene stands on or before: table, floor, wall. Found by what they do, not by their size.

A table is what everything stands on: hardly anything lies under it, it reaches past what stands on it on most
sides, and its rim neither drops away (as the rim of a part's own face does) nor rises (as the floor of a box does).
Draws: Fischler and Bolles, "Random sample consensus", Communications of the ACM 24 (1981), with one oriented
patch instead of three points as the smallest sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist

from pipeline.geometry.sectors import furthest
from pipeline.geometry.voxels import Voxels, patches, voxels
from pipeline.part import BoolArray, FloatArray

MOST_PLANES = 3
CANDIDATES = 6
SMALLEST_SHARE = 0.04
CELLS_ACROSS = 160
# Cells looked at beyond a plane's rim.
RIM = 3
WAVES_IN_SPACINGS = 0.15
PARALLEL = 0.98
LOW = 0.5
"""Height over its extent up to which a face over a table belongs to something that lies there."""
RIM_TEST = "its rim does not drop away"
OVERSIZE = 1.25
"""What is so many times as wide as the part was declared is no face of it."""
CONTACT = 4
"""Cells above a plane in which something that stands on it begins."""


def draws_needed(confidence: float, inlier_share: float, sample: int) -> int:
    """Random samples of ``sample`` things to draw until one is free of outliers, with that confidence.

    ``ceil(ln(1 - p) / ln(1 - w^m))``, Fischler and Bolles 1981.
    """
    return int(np.ceil(np.log(1.0 - confidence) / np.log(1.0 - inlier_share**sample)))


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane and the evidence that it carries or bounds the scene.

    Attributes
    ----------
    equation : (4,) unit normal towards the scene, and offset: ``n . x + d = height above the plane``
    residual : robust standard deviation of its points, millimetres
    cut : height up to which points are its own, millimetres
    below : share of the rest of the scene that lies under it, a board's own edge left out
    drops, rises : share of its rim with material just below, just above
    around : share of the directions in which it reaches past what stands on it
    open : share of the directions in which it reaches past everything above it
    standing : share of what lies above that stands over the plane's hull
    contact : cells of the rest of the scene just above it, where things stand on it
    area, hull_area, standing_area : of the plane seen, of its convex hull, and of what stands over it, mm2
    extent : its largest size, mm
    beyond_part : whether it is larger than any face of the part can be; its rim then drops away as a board's does
    """

    equation: FloatArray
    residual: float
    cut: float
    below: float
    drops: float
    rises: float
    around: float
    open: float
    standing: float
    contact: int
    area: float
    hull_area: float
    standing_area: float
    extent: float
    beyond_part: bool

    def height(self, points: FloatArray) -> FloatArray:
        """(n,) signed height of points (n, 3) above the plane, millimetres."""
        above: FloatArray = points @ self.equation[:3] + self.equation[3]
        return above

    @property
    def tests(self) -> dict[str, float]:
        """What speaks for a support plane: 1 fully, 0 not at all; the words go into the report."""
        return {
            "hardly anything lies below it": _falling(self.below, 0.02, 0.06),
            RIM_TEST: 1.0 if self.beyond_part else _falling(self.drops, 0.12, 0.35),
            # Paper may lie along its rim, but not in all directions beyond.
            # Either speaks against walls by itself; half of each is more than half.
            "no walls rise along its rim": _either(_falling(self.rises, 0.45, 0.75), _rising(self.open, 0.35, 0.6)),
            "it reaches past what stands on it": _rising(self.around, 0.3, 0.5),
            "something stands on it": _rising(self.standing, 0.2, 0.5),
            "it is larger than what stands on it": _rising(self.hull_area / max(self.standing_area, 1e-9), 0.8, 1.3),
        }

    @property
    def confidence(self) -> float:
        """Product of the tests, 0 to 1."""
        return float(np.prod(list(self.tests.values())))

    @property
    def carries(self) -> bool:
        """Whether all but its rim speaks for a support: a board seen to its edge, or a face of the part's own."""
        return all(value >= 0.5 for text, value in self.tests.items() if text != RIM_TEST)

    @property
    def bounds(self) -> bool:
        """Whether the scene lies on one side of it, as it does of a table, a floor and a wall."""
        return self.below < 0.02 and (self.drops < 0.2 or self.beyond_part)

    @property
    def is_ground(self) -> bool:
        """Rough ground of cloth or paper: the whole scene lies on it and over it."""
        return self.bounds and self.standing >= 0.6 and self.hull_area >= self.standing_area and self.rises < 0.75

    def lies_on(self, other: Plane) -> bool:
        """Whether it is the upper face of something low that stands on another, larger plane: a board, or a part."""
        above = other.equation[3] - self.equation[3]
        parallel = float(self.equation[:3] @ other.equation[:3]) > PARALLEL
        return bool(parallel and other.cut < above < LOW * self.extent and self.hull_area < other.hull_area)

    def is_top_over(self, other: Plane) -> bool:
        """Whether all lies between it and another, larger plane: that one carries it, and this is its top."""
        facing = float(self.equation[:3] @ other.equation[:3]) < -PARALLEL
        return facing and self.hull_area < other.hull_area

    def is_plain(self, noise: float, spacing: float) -> bool:
        """A flat board seen at large, not the rough ground that cloth or paper makes.

        A mesh was smoothed when it was made, its noise says little: a board may wave a little against the spacing.
        """
        flat = self.residual <= max(2.5 * noise, WAVES_IN_SPACINGS * spacing)
        return flat and self.area >= 0.1 * self.hull_area


def planes(
    points: FloatArray,
    normals: NDArray[np.floating] | None,
    spacing: float,
    noise: float,
    part_size: float = np.inf,
) -> list[Plane]:
    """Candidate planes of a scene with their evidence, surest first.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) pointing out of the surfaces, or None
    spacing, noise : millimetres
    part_size : diagonal of the part as declared, millimetres
    """
    few = points[:: max(1, len(points) // 50_000)]
    extent = float(np.linalg.norm(np.ptp(np.percentile(few, [1, 99], axis=0), axis=0)))
    cells = voxels(points, max(4.0 * spacing, 4.0 * noise, extent / CELLS_ACROSS))
    shape = patches(cells, points)
    facing = None
    if normals is not None:
        facing = np.stack([cells.total(normals[:, axis]) for axis in range(3)], axis=1)
    flat = (shape.thickness < np.maximum(2.0 * noise, 0.12 * cells.cell)) & (shape.width > 0.4 * cells.cell)
    groups = _flat_groups(cells, shape.normal, flat, noise)
    judge = _Judge(cells, facing, points, noise, OVERSIZE * part_size)
    first = [judge.plane(member, np.ones(len(cells), bool)) for member in groups]
    # What other boards hold up or bound says nothing about this one.
    boards = [plane is not None and plane.bounds for plane in first]
    found = []
    for number, member in enumerate(groups):
        rest = np.ones(len(cells), bool)
        for other, plane in enumerate(first):
            if other != number and boards[other] and plane is not None:
                rest &= ~groups[other] & (plane.height(cells.centre) > -cells.cell)
        plane = judge.plane(member, rest) if sum(boards) > boards[number] else first[number]
        if plane is not None:
            found.append(plane)
    return sorted(found, key=lambda plane: -plane.confidence)


def _flat_groups(cells: Voxels, normal: FloatArray, flat: BoolArray, noise: float) -> list[BoolArray]:
    """Cells of the largest planes, largest first."""
    rng = np.random.default_rng(0)
    draws = draws_needed(0.99, SMALLEST_SHARE, 1)
    free, groups = flat.copy(), []
    tolerance = max(0.5 * cells.cell, 3.0 * noise)
    for _ in range(CANDIDATES):
        at = np.flatnonzero(free)
        if len(at) < max(30, SMALLEST_SHARE * flat.sum()):
            break
        seeds = at if len(at) <= draws else rng.choice(at, draws, replace=False)
        aligned = np.abs(normal[at] @ normal[seeds].T) > np.cos(np.radians(12.0))
        near = np.abs(cells.centre[at] @ normal[seeds].T - (cells.centre[seeds] * normal[seeds]).sum(1)) < tolerance
        best = np.argmax((aligned & near).sum(axis=0))
        chosen = at[aligned[:, best] & near[:, best]]
        equation = _least_squares(cells.centre[chosen])
        # Twice: the first patch tells the direction only roughly.
        for _ in range(2):
            close = np.abs(cells.centre[at] @ equation[:3] + equation[3]) < tolerance
            chosen = at[close & (np.abs(normal[at] @ equation[:3]) > np.cos(np.radians(12.0)))]
            if len(chosen) < 3:
                break
            equation = _least_squares(cells.centre[chosen])
        member = np.zeros(len(cells), bool)
        member[chosen] = True
        free[chosen] = False
        if len(chosen) >= max(30, SMALLEST_SHARE * flat.sum()):
            groups.append(member)
    return groups


def _least_squares(points: FloatArray) -> FloatArray:
    """(4,) plane with the least sum of squared distances to points (n, 3)."""
    centre = points.mean(axis=0)
    normal = np.linalg.eigh(np.cov((points - centre).T))[1][:, 0]
    return np.append(normal, -normal @ centre)


@dataclass(frozen=True, eq=False)
class _Judge:
    """Gathers the evidence for one plane after another in the same scene."""

    cells: Voxels
    facing: FloatArray | None
    points: FloatArray
    noise: float
    largest: float

    def plane(self, member: BoolArray, rest: BoolArray) -> Plane | None:
        """The plane through the cells ``member``, judged by the cells ``rest``; None when nothing stands on it."""
        cells = self.cells
        band = max(1.5 * cells.cell, 6.0 * self.noise)
        equation = self._turned_up(_least_squares(cells.centre[member]), member, rest, band)
        own = self.points[member[cells.of_point]]
        equation, residual, cut = _fine_fit(own, equation, self.noise, cells.cell)
        height = cells.centre @ equation[:3] + equation[3]
        above, under = (height > band) & rest, (height < -band) & rest
        if not above.any():
            return None
        plan = _plan(cells.centre, equation, cells.cell)
        offset = plan[member].min(axis=0) - RIM
        shape = plan[member].max(axis=0) - offset + RIM + 1
        plan = plan - offset
        filled = ndimage.binary_fill_holes(ndimage.binary_closing(_image(plan[member], shape), iterations=2))
        rim = filled & ~ndimage.binary_erosion(filled)
        reach = 8.0 * cells.cell
        # A rounded edge begins where cells are no longer flat, and falls away a little further out.
        drop = _near_rim(plan[under & (height > -reach)], rim, RIM)
        rise = _near_rim(plan[above & (height < reach)], rim, 2)
        # A board has an edge as thick as it is; what lies further below is no edge.
        edge = ndimage.binary_dilation(rim, structure=np.ones((3, 3), bool), iterations=RIM)
        seen = ((plan >= 0) & (plan < shape)).all(axis=1)
        under[seen] &= ~edge[tuple(plan[seen].T)]
        hull = ConvexHull(plan[member])
        over = (plan[above] @ hull.equations[:, :2].T + hull.equations[:, 2] <= 1e-9).all(axis=1)
        standing = plan[above][over] if over.any() else plan[above]
        return Plane(
            equation=equation,
            residual=residual,
            cut=cut,
            below=float(under.sum() / max((above | under).sum(), 1)),
            drops=float((drop & rim).sum() / max(int(rim.sum()), 1)),
            rises=float((rise & rim).sum() / max(int(rim.sum()), 1)),
            around=_sectors_beyond(plan[member], standing, standing),
            open=_sectors_beyond(plan[member], plan[above], standing),
            standing=float(over.mean()),
            contact=int((above & (height < band + CONTACT * cells.cell)).sum()),
            area=float(filled.sum() * cells.cell**2),
            hull_area=float(hull.volume * cells.cell**2),
            standing_area=float(len(np.unique(standing, axis=0)) * cells.cell**2),
            extent=float(np.linalg.norm(shape - 2 * RIM) * cells.cell),
            beyond_part=bool(pdist(plan[member][hull.vertices]).max() * cells.cell > self.largest),
        )

    def _turned_up(self, equation: FloatArray, member: BoolArray, rest: BoolArray, band: float) -> FloatArray:
        """The normal on the side the scanner saw; without normals, on the side where the scene lies."""
        if self.facing is not None:
            upward = float((self.facing[member] @ equation[:3]).sum())
            if abs(upward) > 0.2 * self.cells.count[member].sum():
                turned: FloatArray = equation * np.sign(upward)
                return turned
        height = (self.cells.centre @ equation[:3] + equation[3])[rest]
        return equation if (height > band).sum() >= (height < -band).sum() else -equation


def _fine_fit(own: FloatArray, equation: FloatArray, noise: float, cell: float) -> tuple[FloatArray, float, float]:
    """Least squares over the points themselves; residual and the height up to which points are the plane's."""
    sample = own[:: max(1, len(own) // 50_000)]
    for _ in range(3):
        height = sample @ equation[:3] + equation[3]
        scale = 1.4826 * np.median(np.abs(height - np.median(height)))
        near = np.abs(height - np.median(height)) <= max(3.0 * scale, 1e-9)
        refit = _least_squares(sample[near])
        equation = refit * np.sign(refit[:3] @ equation[:3])
    height = sample @ equation[:3] + equation[3]
    residual = float(1.4826 * np.median(np.abs(height)))
    wide = float(np.percentile(height, 99.0))
    cut = max(4.0 * residual, 4.0 * noise, min(1.2 * wide, 10.0 * residual))
    return equation, residual, min(cut, 2.0 * cell)


def _plan(points: FloatArray, equation: FloatArray, cell: float) -> NDArray[np.int64]:
    """(n, 2) integer cells of points seen along the normal."""
    axes = np.linalg.svd(equation[None, :3])[2][1:]
    cells: NDArray[np.int64] = np.floor(points @ axes.T / cell).astype(np.int64)
    return cells


def _image(plan: NDArray[np.int64], shape: NDArray[np.int64]) -> BoolArray:
    """The cells (n, 2) as a picture; those outside it are left out."""
    image = np.zeros(shape, bool)
    image[tuple(plan[((plan >= 0) & (plan < shape)).all(axis=1)].T)] = True
    return image


def _near_rim(plan: NDArray[np.int64], rim: BoolArray, reach: int) -> BoolArray:
    """Cells of the image of ``rim`` with one of ``plan`` within ``reach`` cells."""
    image = _image(plan, np.array(rim.shape))
    near: BoolArray = ndimage.binary_dilation(image, structure=np.ones((3, 3), bool), iterations=reach)
    return near


def _sectors_beyond(plane: NDArray[np.int64], other: NDArray[np.int64], standing: NDArray[np.int64]) -> float:
    """Share of 36 directions, from the middle of what stands on it, in which the plane reaches further than another."""
    centre = np.median(standing, axis=0)
    return float(np.mean(furthest(plane - centre) > furthest(other - centre)))


def _rising(value: float, low: float, high: float) -> float:
    return float(np.clip((value - low) / (high - low), 0.0, 1.0))


def _falling(value: float, low: float, high: float) -> float:
    return 1.0 - _rising(value, low, high)


def _either(one: float, other: float) -> float:
    """Of two independent signs of the same thing: 1 where either is sure, 0 where neither says anything."""
    return 1.0 - (1.0 - one) * (1.0 - other)
