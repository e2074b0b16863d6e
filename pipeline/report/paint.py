"""From what a camera sees to a picture: soft light, thin contour lines, and the colours that carry meaning."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.geometry.render import LAMP, OVERSAMPLING, Shot
from pipeline.part import BoolArray, ColourArray, FloatArray
from pipeline.report import palette

Picture = NDArray[np.uint8]
"""(h, w, 4) sRGB with transparency."""
Grey = NDArray[np.float32]
LINE = np.float32(0.5)
"""How much light a contour line leaves."""
QUALITY = 86


class Painter:
    """Paints one shot in any colours; light and contours are worked out once."""

    def __init__(self, shot: Shot) -> None:
        self.shot = shot
        self._white = _light(shot)

    def plain(self) -> ColourArray:
        """(n, 3) sRGB of the shot's samples: one colour outside, another inside."""
        return np.where(self.shot.back[:, None], _colour(palette.INSIDE), _colour(palette.PUTTY))

    def banded(self, deviation: FloatArray, tolerance: float) -> ColourArray:
        """(n, 3) sRGB of signed deviations (n,) in mm; what was not measured (NaN) gets crosses."""
        colours = np.empty((len(deviation), 3), np.uint8)
        colours[:] = palette.UNKNOWN
        self._ink(colours, np.isnan(deviation), "crosses", palette.INK)
        for band in palette.BANDS:
            here = (deviation >= band.low * tolerance) & (deviation < band.high * tolerance)
            colours[here] = band.colour
            self._ink(colours, here, band.pattern, palette.BRIGHT)
        return colours

    def hatched(self, where: BoolArray) -> ColourArray:
        """(n, 3) sRGB with the samples ``where`` (n,) hatched."""
        colours = self.plain()
        colours[where] = palette.FILLED
        self._ink(colours, where, "hatch", palette.INK)
        return colours

    def by_side(self, sides: NDArray[np.uint32]) -> ColourArray:
        """(n, 3) sRGB: each capture its colour, stripes of both where two captures saw the place."""
        colours = np.empty((len(sides), 3), np.uint8)
        colours[:] = palette.UNKNOWN
        self._ink(colours, sides == 0, "crosses", palette.INK)
        stripe = (self.shot.row + self.shot.column) // (palette.STRIPE * OVERSAMPLING)
        for mask in np.unique(sides[sides > 0]):
            tints = _colour(*(palette.SIDES[k % len(palette.SIDES)] for k in range(32) if int(mask) >> k & 1)).reshape(
                -1, 3
            )
            here = np.flatnonzero(sides == mask)
            colours[here] = tints[stripe[here] % len(tints)]
        return colours

    def paint(self, colours: ColourArray, contrast: float = 1.0) -> Picture:
        """The picture in colours (n, 3), in soft light and with contours.

        ``contrast`` below 1 weakens the shading where the colours must be read.
        """
        light = self._white if contrast == 1 else 1 - np.float32(contrast) * (1 - np.minimum(self._white, 1.35))
        light = np.where(self.shot.contour, LINE * light, light)
        camera, k = self.shot.camera, OVERSAMPLING
        fine = np.zeros((camera.height * k, camera.width * k, 4), np.float32)
        fine[self.shot.row, self.shot.column, :3] = _LINEAR[colours] * light[:, None]
        fine[self.shot.row, self.shot.column, 3] = 1
        total = fine[::k, ::k].copy()
        for i, j in list(np.ndindex(k, k))[1:]:
            total += fine[i::k, j::k]
        cover = total[..., 3:] / k**2
        colour = _to_srgb(total[..., :3] / np.maximum(total[..., 3:], 1))
        return np.concatenate([colour, 255 * cover], axis=2).round().astype(np.uint8)

    def _ink(self, colours: ColourArray, where: BoolArray, pattern: str, ink: palette.Rgb) -> None:
        if pattern and where.any():
            here = np.flatnonzero(where)
            row, column = self.shot.row[here] / OVERSAMPLING, self.shot.column[here] / OVERSAMPLING
            colours[here[palette.pattern(pattern, row, column)]] = ink


def encoded(picture: Picture) -> bytes:
    """The picture as WebP."""
    buffer = BytesIO()
    Image.fromarray(picture).save(buffer, "WEBP", quality=QUALITY, method=4, alpha_quality=90)
    return buffer.getvalue()


def reduced(picture: Picture, width: int, height: int) -> Picture:
    """The picture in a smaller size."""
    return np.asarray(Image.fromarray(picture).resize((width, height), Image.Resampling.LANCZOS))


def swatch(colours: tuple[palette.Rgb, ...], pattern: str = "", ink: palette.Rgb = palette.INK) -> bytes:
    """A small PNG of a colour with its pattern for a legend; stripes of all of them where there are several."""
    height, width, k = 18, 30, 3
    row, column = np.mgrid[0 : height * k, 0 : width * k]
    tile = _colour(*colours).reshape(-1, 3)[((row + column) // (palette.STRIPE * k)) % len(colours)].astype(float)
    tile[palette.pattern(pattern, row / k, column / k)] = ink
    small = tile.reshape(height, k, width, k, 3).mean(axis=(1, 3))
    buffer = BytesIO()
    Image.fromarray(small.round().astype(np.uint8)).save(buffer, "PNG", optimize=True)
    return buffer.getvalue()


def _colour(*colours: palette.Rgb) -> ColourArray:
    return np.array(colours[0] if len(colours) == 1 else colours, np.uint8)


def _light(shot: Shot) -> Grey:
    """(n,) how bright a white surface is: a lamp over the left shoulder, and a sky that the part shadows."""
    local = shot.normals @ shot.camera.axes.T.astype(np.float32)
    towards_lamp = np.maximum(local @ LAMP.astype(np.float32), 0)
    upwards = 0.5 + 0.5 * local[:, 1]
    facing = np.maximum(local[:, 2], 0)
    sky = shot.sky * np.sqrt(shot.sky)
    light: Grey = 0.80 * towards_lamp * (0.2 + 0.8 * shot.lamp) + sky * (0.20 + 0.28 * upwards + 0.22 * facing)
    return light.astype(np.float32)


_SRGB = np.arange(256) / 255
_LINEAR = np.where(_SRGB <= 0.04045, _SRGB / 12.92, ((_SRGB + 0.055) / 1.055) ** 2.4).astype(np.float32)
"""The sRGB transfer function, IEC 61966-2-1."""


def _to_srgb(linear: NDArray[Any]) -> Grey:
    linear = np.clip(linear, 0, 1)
    srgb: Grey = 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return srgb
