"""Where a picture is taken from: parallel projection, so that lengths can be read off it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.part import FloatArray, IndexArray

MARGIN = 1.06


@dataclass(frozen=True, eq=False, slots=True)
class Camera:
    """A parallel projection onto a picture of ``width`` x ``height`` pixels.

    Attributes
    ----------
    axes : (3, 3) unit rows: right, up, and towards the viewer
    centre : (3,) millimetres; the point in the middle of the picture
    mm_per_pixel : size of a pixel
    depth_mm : how far in front of the centre the rays start; nothing of the part lies before that
    """

    axes: FloatArray
    centre: FloatArray
    mm_per_pixel: float
    depth_mm: float
    width: int
    height: int

    def rays(self, rows: IndexArray, columns: IndexArray, oversampling: int) -> NDArray[np.float32]:
        """(r, c, 3) starting points of the rays through some rows and columns of samples; they run against ``axes[2]``.

        Samples are counted ``oversampling`` to a pixel in both directions. Relative to ``centre``, so that nothing
        is lost in 32 bit.
        """
        right = ((columns + 0.5) / oversampling - self.width / 2) * self.mm_per_pixel
        up = (self.height / 2 - (rows + 0.5) / oversampling) * self.mm_per_pixel
        plane = right[None, :, None] * self.axes[0] + up[:, None, None] * self.axes[1]
        starts: NDArray[np.float32] = (plane + self.depth_mm * self.axes[2]).astype(np.float32)
        return starts

    def project(self, points: FloatArray) -> FloatArray:
        """(n, 3) pixel column, pixel row and millimetres towards the viewer of points (n, 3)."""
        local = (points - self.centre) @ self.axes.T
        column = local[:, 0] / self.mm_per_pixel + self.width / 2
        row = self.height / 2 - local[:, 1] / self.mm_per_pixel
        return np.column_stack([column, row, local[:, 2]])


def aimed(points: FloatArray, towards: tuple[float, float, float], width: int, height: int) -> Camera:
    """A camera that sees all points (n, 3) from a direction and fills its picture with them.

    ``towards`` points from the part to the viewer. Up in the picture is +z; seen along z, up is +y.
    """
    back = np.asarray(towards, float) / np.linalg.norm(towards)
    up = np.array([0.0, 0.0, 1.0]) if abs(back[2]) < 0.999 else np.array([0.0, 1.0, 0.0])
    right = np.cross(up, back)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(back, right), back])
    local = points @ axes.T
    low, high = local.min(axis=0), local.max(axis=0)
    size = np.maximum(high - low, 1e-9)
    return Camera(
        axes=axes,
        centre=((low + high) / 2) @ axes,
        mm_per_pixel=float(MARGIN * max(size[0] / width, size[1] / height)),
        depth_mm=float(0.55 * size[2] + 1e-3 * size.max()),
        width=width,
        height=height,
    )
