"""Which way a measured surface faces, and what of it nobody scanned, from points alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.coverage import DIRECTIONS
from pipeline.geometry.normals import SURE, consistent, oriented
from pipeline.geometry.tangent_patches import Patches
from pipeline.part import Capture, FloatArray, NormalArray

MOST_POINTS = 20_000
NEIGHBOURS = 16
CRUMB = 0.1
"""A piece with a smaller share of the points may face either way: the coverage hardly changes."""


@dataclass(frozen=True, eq=False, slots=True)
class Facing:
    """A sample of measured surface with its outward side.

    Attributes
    ----------
    points : (n, 3) millimetres
    normals : (n, 3) unit vectors out of the surface
    sure : whether the outside is told from the inside
    """

    points: FloatArray
    normals: FloatArray
    sure: bool


def facing_of(capture: Capture, patches: Patches, given: NormalArray | None) -> Facing:
    """A capture's sample in the part's frame, its normals turned outwards.

    Parameters
    ----------
    capture : gives the pose
    patches : of the capture
    given : (k, 3) normals that came with the points, or None; used where neighbours agree about the side
    """
    keep = patches.on_surface if patches.on_surface.any() else np.ones(len(patches.points), bool)
    points, normals, sure = patches.points[keep], patches.normals[keep], 1.0
    tree = cKDTree(points)
    scanner = None if given is None else given[patches.chosen[keep]]
    if scanner is not None and consistent(points, scanner, tree):
        # Across the patch by its own points, but out of the surface as the scanner saw it.
        normals = normals * np.where(np.einsum("ni,ni->n", normals, scanner) < 0, -1.0, 1.0)[:, None]
    else:
        around = np.asarray(tree.query(points, k=min(NEIGHBOURS, len(points)), workers=-1)[1], np.int32)
        up = None if capture.support_plane is None else capture.support_plane[:3]
        normals, sure = oriented(points, normals, around.reshape(len(points), -1), CRUMB, up=up)
    turn, shift = capture.part_from_capture[:3, :3], capture.part_from_capture[:3, 3]
    return Facing(points @ turn.T + shift, normals @ turn.T, sure >= SURE)


def direction_shares(sides: Sequence[Facing], up: FloatArray | None = None) -> dict[str, float]:
    """Measured share, in percent, of the surface that should face each side of a cube around the part.

    What should be there is known because on a closed surface the areas projected along a direction and against it
    are equal: an open surface shows less on one side, and the difference was never captured. Where captures overlap,
    their points share the area they stand for.

    Parameters
    ----------
    sides : in one frame
    up : (3,) the cube's top; the frame's z where there is none

    Returns
    -------
    Keyed as ``coverage.DIRECTIONS``.
    """
    points, normals = np.concatenate([side.points for side in sides]), np.concatenate([side.normals for side in sides])
    keep = slice(None, None, max(1, len(points) // MOST_POINTS))
    points, normals = points[keep], normals[keep]
    count = min(NEIGHBOURS, len(points) - 1)
    distance = np.asarray(cKDTree(points).query(points, k=[count + 1], workers=-1)[0])[:, 0]
    area = distance**2
    axes = upright_axes(up)
    share: dict[str, float] = {}
    for name, direction in DIRECTIONS.items():
        facing = normals @ (np.asarray(direction) @ axes)
        seen, against = float(area @ np.maximum(facing, 0)), float(area @ np.maximum(-facing, 0))
        share[name] = 100.0 * seen / max(seen, against, np.finfo(float).tiny)
    return share


def upright_axes(up: FloatArray | None) -> FloatArray:
    """(3, 3) rows x, y, z of a frame with the given z."""
    if up is None:
        return np.eye(3)
    z = up / np.linalg.norm(up)
    x = np.eye(3)[np.argmin(np.abs(z))]
    x = x - (x @ z) * z
    x /= np.linalg.norm(x)
    axes: FloatArray = np.stack([x, np.cross(z, x), z])
    return axes
