"""Colours as the scanner's camera would see them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.part import ColourArray, FloatArray
from pipeline.simulate.scene import Label, LabelArray

_PAINT = {
    Label.PART: (176, 141, 87),
    Label.TABLE: (92, 96, 99),
    Label.RISER: (70, 70, 74),
    Label.PAPER: (226, 224, 216),
    Label.CLOTH: (60, 74, 110),
    Label.WALL: (200, 198, 190),
    Label.HAND: (214, 168, 142),
    Label.OTHER: (120, 126, 110),
    Label.FLYING: (140, 130, 110),
    Label.STRAY: (128, 128, 128),
}


def painted(
    points: FloatArray, labels: LabelArray, slant: NDArray[np.float32], rng: np.random.Generator
) -> ColourArray:
    """(n, 3) uint8: the thing's own colour, patches of patina, shading by slant, and the camera's noise."""
    paint = np.array([_PAINT[label] for label in Label], np.float32)[labels]
    patina = np.sin(points @ np.array([[0.11, -0.05], [0.04, 0.13], [-0.09, 0.07]])).sum(axis=1)
    light = (1 + 0.06 * patina) * (0.45 + 0.55 * np.clip(slant, 0, 1))
    paint *= light.astype(np.float32)[:, None]
    paint += rng.normal(0, 4, len(paint)).astype(np.float32)[:, None]
    colours: ColourArray = np.clip(paint, 0, 255).astype(np.uint8)
    return colours
