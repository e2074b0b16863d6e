"""What a capture says of empty space: where it looked through, on its way to the surface behind.

The captures are fused from many looks, and nobody kept from where. But a surface that was measured was seen from
somewhere in front of it. So a capture is drawn as depth pictures from directions all around; a picture is believed
where the foremost surface faces the viewer, and a direction as a whole when nearly all of its foremost surface does
(from below, an open shell shows its inside: nobody looked from there). A place is seen through when most believed
directions from which nothing hides it show a surface behind it. What stood around the part and was removed, table,
paper and riser, is such a surface too, seen from above the table: the holes of a plate show nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter

from pipeline.geometry.alignment.side import Side
from pipeline.geometry.directions import directions_around
from pipeline.geometry.sampling import point_spacing
from pipeline.part import BoolArray, FloatArray, IndexArray, LongArray

DIRECTIONS = 64
CHUNK = 4_096
PIXEL_SPACINGS = 1.6
FACING = 0.2
"""Cosine under which a surface counts as facing a viewer."""
BELIEVED_SHARE = 0.80
"""A direction is believed when at least this share of its foremost surface faces the viewer."""
FEWEST_VIEWS = 2
"""Shares are of at least this many directions: a single picture, at the edge of what was looked at, proves nothing."""
SLACK_CELLS = 2.0
"""A surface is behind a place when it is farther than this many cells; nearer is for the residuals to judge."""


@dataclass(frozen=True, eq=False)
class Pictures:
    """Depth pictures of one side.

    Attributes
    ----------
    views : (d, 3) unit vectors towards the viewer, believed directions only
    across : (d, 2, 3) the pictures' axes
    depth : (d, w, w) foremost surface along the view, of the part or around it, millimetres; -inf where the picture is
        empty or not believed
    blocked : (d, w, w) the same with what is not believed counted too
    corner : (d, 2) coordinates of the pictures' first pixel
    pixel : size of a pixel, millimetres
    slack : from ``SLACK_CELLS``, millimetres
    """

    views: FloatArray
    across: FloatArray
    depth: FloatArray
    blocked: FloatArray
    corner: FloatArray
    pixel: float
    slack: float

    def judge(self, points: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How places (n, 3) with outward normals (n, 3) look to this side, both in its frame.

        Returns
        -------
        through : (n,) share of the believed directions facing the place, with nothing before it, that see a surface
            behind it; of ``FEWEST_VIEWS`` where fewer do
        bare : (n,) share of them that see nothing at all there, in front or behind
        """
        if not len(points):
            return np.zeros(0), np.zeros(0)
        depth, blocked = self._looked_up(points)
        height = self.views @ points.T
        foremost = np.maximum(depth, blocked)
        towards = (self.views @ normals.T > FACING) & (foremost <= height + self.slack)
        through = towards & np.isfinite(depth) & (height > foremost + self.slack)
        bare = towards & ~np.isfinite(blocked)
        seen = np.maximum(towards.sum(axis=0), FEWEST_VIEWS)
        return through.sum(axis=0) / seen, bare.sum(axis=0) / seen

    def asked(self, points: FloatArray, slack: float) -> tuple[IndexArray, IndexArray, IndexArray]:
        """What the pictures say of places (n, 3), however they face; ``slack`` (mm) goes on top of the pictures' own.

        Returns
        -------
        through : (n,) how many pictures look through at a surface clearly behind
        here : (n,) how many show a surface about there; what lies clearly before a place hides it and says nothing
        shown : (n,) how many show a surface at all, wherever
        """
        through, here, shown = np.zeros((3, len(points)), np.int32)
        for start in range(0, len(points), CHUNK):
            part = slice(start, start + CHUNK)
            depth, blocked = self._looked_up(points[part])
            known = np.isfinite(depth)
            above = self.views @ points[part].T - np.maximum(depth, blocked)
            gap = self.slack + slack
            through[part] = (known & (above > gap)).sum(axis=0)
            here[part] = (np.abs(above) <= gap).sum(axis=0)
            shown[part] = known.sum(axis=0)
        return through, here, shown

    def _looked_up(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(d, n) believed and unbelieved depth at each place in each picture; -inf outside."""
        wide = self.depth.shape[1]
        # Two plain products are much faster than one contraction; one more pixel around keeps rounding towards zero.
        across, along = (
            np.clip((self.across[:, k] @ points.T - self.corner[:, k : k + 1]) / self.pixel, -1, wide) for k in (0, 1)
        )
        inside = (across >= 0) & (across < wide) & (along >= 0) & (along < wide)
        flat = (np.arange(len(self.views))[:, None] * wide + across.astype(np.int32)) * wide + along.astype(np.int32)
        flat = np.where(inside, flat, 0)
        depth = np.where(inside, self.depth.reshape(-1)[flat], -np.inf)
        return depth, np.where(inside, self.blocked.reshape(-1)[flat], -np.inf)


def pictures(side: Side) -> Pictures:
    """Draw a side from all around."""
    views = directions_around(DIRECTIONS)
    across = np.linalg.svd(views[:, None, :])[2][:, 1:, :]
    pixel = PIXEL_SPACINGS * side.closeness
    flat = [side.close @ axes.T for axes in across]
    corner = np.array([places.min(axis=0) for places in flat]) - 2 * pixel
    wide = int(np.ceil(max((places - at).max() for places, at in zip(flat, corner, strict=True)) / pixel)) + 3
    normals = side.normals[side.tree.query(side.close, workers=-1)[1]]
    gap = 0 if side.around is None else round(PIXEL_SPACINGS * point_spacing(side.around) / pixel)
    depth, blocked = np.full((2, len(views), wide, wide), -np.inf)
    believed = np.zeros(len(views), bool)
    for k, view in enumerate(views):
        spot = np.floor((flat[k] - corner[k]) / pixel).astype(np.int64)
        depth[k], blocked[k], believed[k] = _drawn(spot, side.close @ view, normals @ view, wide)
        if side.around is not None and side.up is not None and view @ side.up > FACING:
            spot = np.floor((side.around @ across[k].T - corner[k]) / pixel).astype(np.int64)
            around = _drawn_around(spot, side.around @ view, wide, gap)
            seen_around = around > blocked[k]
            depth[k][seen_around] = blocked[k][seen_around] = around[seen_around]
    return Pictures(
        views[believed],
        across[believed],
        depth[believed],
        blocked[believed],
        corner[believed],
        pixel,
        SLACK_CELLS * side.cell,
    )


def _drawn(
    spot: LongArray, height: FloatArray, towards: FloatArray, wide: int
) -> tuple[FloatArray, FloatArray, np.bool_]:
    """One picture (w, w) of what is foremost and faces the viewer, one of all that is foremost, and whether to believe.

    Parameters
    ----------
    spot : (n, 2) pixels of the points
    height, towards : (n,) of the points along the view, millimetres, and cosines between it and their normals
    """
    filled, first = _front(spot, height, wide)
    picture, blocked = np.full((2, wide, wide), -np.inf)
    seen = towards[first] > FACING
    picture.flat[filled[seen]] = height[first[seen]]
    blocked.flat[filled] = height[first]
    believed = (towards[first] > 0.0).mean() > BELIEVED_SHARE
    return picture, maximum_filter(blocked, size=3), believed


def _drawn_around(spot: LongArray, height: FloatArray, wide: int, gap: int) -> FloatArray:
    """One picture (w, w) of what stood around, whichever way it faces; ``gap`` pixels between two points are closed.

    Parameters
    ----------
    spot, height : as of the part; what lies outside of its picture is left out
    """
    inside = ((spot >= 0) & (spot < wide)).all(axis=1)
    height = height[inside]
    filled, first = _front(spot[inside], height, wide)
    picture: FloatArray = np.full((wide, wide), -np.inf)
    picture.flat[filled] = height[first]
    return np.where(np.isfinite(picture), picture, maximum_filter(picture, size=2 * gap + 1))


def _front(spot: LongArray, height: FloatArray, wide: int) -> tuple[LongArray, LongArray]:
    """(k,) numbers of the pixels that show a point, and (k,) of the foremost point in each."""
    pixel = spot[:, 0] * wide + spot[:, 1]
    highest = np.full(wide * wide, -np.inf)
    np.maximum.at(highest, pixel, height)
    shown = np.flatnonzero(height == highest[pixel])
    foremost = np.full(wide * wide, -1)
    foremost[pixel[shown]] = shown
    filled = np.flatnonzero(foremost >= 0)
    return filled, foremost[filled]


def seen_through(judged: tuple[FloatArray, FloatArray]) -> BoolArray:
    """(n,) places that a side looked through.

    Either most views of a place show a surface behind it; or some do, and nearly all others show nothing at all.
    """
    through, bare = judged
    return np.asarray((through > 0.5) | ((through > 0.25) & (through + bare > 0.9)), np.bool_)
