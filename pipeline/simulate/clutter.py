"""What lies around a part on the bench: crumpled paper, cloth, a hand; open or overlapping surfaces, z up."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from manifold3d import Manifold, OpType

from pipeline.part import FloatArray, Mesh
from pipeline.simulate.solids import mesh_of


def sheet(size: float, cells: int) -> Mesh:
    """A flat square sheet about the origin."""
    line = np.linspace(-size / 2, size / 2, cells + 1)
    grid = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1).reshape(-1, 2)
    first = (np.arange(cells)[:, None] * (cells + 1) + np.arange(cells)).ravel()
    right, up = cells + 1, 1
    faces = np.vstack(
        [
            np.column_stack([first, first + right, first + right + up]),
            np.column_stack([first, first + right + up, first + up]),
        ]
    )
    return Mesh(np.column_stack([grid, np.zeros(len(grid))]), faces)


def crumpled(
    size: float, height: float, rng: np.random.Generator, crease: float | None = None, cells: int = 150
) -> Mesh:
    """A crumpled sheet of paper lying on z = 0: facets between sharp creases, with overhangs.

    Every fold shears all space along a triangle wave across it. A shear is one-to-one, so however many follow one
    another the sheet never passes through itself; being piecewise linear it leaves flat facets between creases.

    Parameters
    ----------
    size : side of the sheet before it was crumpled, millimetres
    height : about how high it heaps up in its middle, millimetres
    crease : distance between the largest creases; three times the height by default
    """
    flat = sheet(size, cells)
    heap = 0.7 * height * np.exp(-6 * (flat.vertices[:, :2] ** 2).sum(axis=1) / (0.8 * size) ** 2)
    points = flat.vertices + np.column_stack([np.zeros((len(heap), 2)), heap])
    longest = min(crease or 3.0 * height, 0.8 * size)
    for share, steepest in ((1.0, 0.7), (0.6, 0.7), (0.36, 0.6), (0.2, 0.4)):
        for _ in range(3):
            points = _folded(points, max(share * longest, 6 * size / cells), steepest, rng)
    points = points - [*points[:, :2].mean(axis=0), np.quantile(points[:, 2], 0.1)]
    points[:, :2] *= 0.85
    points[:, 2] *= np.clip(height / np.quantile(points[:, 2], 0.98), 0.6, 1.8)
    points[:, 2] = np.maximum(points[:, 2], 0.15)  # what would sink into the table lies flat on it
    return Mesh(points, flat.faces)


def _folded(points: FloatArray, length: float, steepest: float, rng: np.random.Generator) -> FloatArray:
    """One shear along a triangle wave: across a mostly level direction, mostly up and down, at a right angle to it."""
    across = rng.normal(size=3) * [1, 1, 0.35]
    across /= np.linalg.norm(across)
    along = np.array([0, 0, 1.0]) * rng.choice([-1, 1]) + 0.7 * rng.normal(size=3)
    along -= (along @ across) * across
    along /= np.linalg.norm(along)
    wavelength = length * rng.uniform(0.7, 1.5)
    wave = np.abs(((points @ across) / wavelength + rng.uniform()) % 1.0 - 0.5)
    slid: FloatArray = points + (rng.uniform(0.4, 1.0) * steepest * wavelength * wave)[:, None] * along
    return slid


def cloth(size: float, height: float, rng: np.random.Generator, cells: int = 200) -> Mesh:
    """A cloth spread on z = 0 with soft folds."""
    flat = sheet(size, cells)
    points = flat.vertices[:, :2] / size
    rise = np.zeros(len(points))
    for waves in (2.0, 3.2, 5.1):
        direction = rng.normal(size=2)
        direction /= np.linalg.norm(direction)
        bend = 0.25 * np.sin(2 * np.pi * (points @ direction[::-1]) * waves * 0.4 + rng.uniform(0, 6))
        rise += (
            np.exp(-1.5 * (1 - np.sin(2 * np.pi * ((points @ direction) * waves + bend) + rng.uniform(0, 6))))
            / waves**0.5
        )
    return Mesh(np.column_stack([flat.vertices[:, :2], 0.3 + height * rise]), flat.faces)


def limb(points: Sequence[FloatArray], radii: Sequence[float]) -> Manifold:
    """Balls of changing radius along a polyline, each two joined by their convex hull."""
    balls = [Manifold.sphere(r, 40).translate(tuple(p)) for p, r in zip(points, radii, strict=True)]
    return (
        Manifold.batch_boolean([(a + b).hull() for a, b in pairwise(balls)], OpType.Add) if len(balls) > 1 else balls[0]
    )


def hand(tips: FloatArray, inward: FloatArray) -> Mesh:
    """A hand with the arm behind it, holding on with four fingers and a thumb.

    Parameters
    ----------
    tips : (5, 3) where the finger tips' centres are, thumb last
    inward : (3,) level unit vector from the hand to what it holds
    """
    side = np.cross([0, 0, 1.0], inward)
    palm = tips[:4].mean(axis=0) - 85 * inward + [0, 0, 12]
    knuckles = [palm + 22 * inward + offset * side for offset in (-30, -10, 10, 30)]
    fingers = [
        limb([knuckle, 0.5 * (knuckle + tip) + [0, 0, 14], tip], [10.5, 9.5, 8.0])
        for knuckle, tip in zip(knuckles, tips[:4], strict=True)
    ]
    heel = palm - 45 * inward - [0, 0, 4]
    thumb = limb([palm - 38 * side - 10 * inward, 0.5 * (palm - 42 * side + tips[4]) - [0, 0, 6], tips[4]], [13, 11, 9])
    back = Manifold.batch_hull(
        [Manifold.sphere(14, 40).translate(tuple(p)) for p in (*knuckles, heel - 22 * side, heel + 22 * side)]
    )
    arm = limb([heel, heel - 260 * inward + [0, 0, 60]], [27, 38])
    return mesh_of(Manifold.batch_boolean([*fingers, thumb, back, arm], OpType.Add))
