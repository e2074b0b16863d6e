"""The report's colours and patterns. Nothing is told by colour alone: every colour has a pattern or a word beside it.

Colours are chosen so that people with any of the common colour deficiencies, and a monochrome printer, can still
tell them apart; the tests measure it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Rgb = tuple[int, int, int]
Mask = NDArray[np.bool_]
Place = NDArray[np.float64]

PUTTY: Rgb = (201, 192, 178)
"""The surface itself."""
INSIDE: Rgb = (120, 124, 138)
"""The inside of an open surface."""
UNKNOWN: Rgb = (226, 224, 219)
"""Where nobody measured."""
INK: Rgb = (38, 36, 62)
"""Lines and hatching."""
BRIGHT: Rgb = (250, 246, 236)
"""Patterns on dark colours."""
FILLED: Rgb = (196, 200, 226)
STRIPE = 5
"""Width of the stripes where two captures saw the same place, pixels."""


class Band(NamedTuple):
    """A step of the deviation scale: from ``low`` to ``high`` tolerances, and how it is drawn."""

    low: float
    high: float
    colour: Rgb
    pattern: str


INFINITY = float("inf")
BANDS = (
    Band(-INFINITY, -1.0, (46, 52, 122), "dots"),
    Band(-1.0, -2 / 3, (88, 104, 170), ""),
    Band(-2 / 3, -1 / 3, (157, 172, 211), ""),
    Band(-1 / 3, 1 / 3, (240, 236, 226), ""),
    Band(1 / 3, 2 / 3, (232, 190, 132), ""),
    Band(2 / 3, 1.0, (203, 136, 58), ""),
    Band(1.0, INFINITY, (138, 74, 14), "stripes"),
)
"""Indigo where the points lie inside the surface, ochre where they lie outside, pale where they agree."""

SIDES: tuple[Rgb, ...] = (
    (72, 92, 168),
    (222, 158, 54),
    (36, 128, 120),
    (222, 134, 176),
    (150, 198, 228),
    (112, 72, 44),
    (176, 178, 92),
    (96, 62, 112),
)


def pattern(name: str, row: Place, column: Place) -> Mask:
    """True where the pattern's ink is, at places given in pixels, of any shape."""
    if name == "stripes":
        return (row + column) % 7 < 1.6
    if name == "hatch":
        return ((row + column) % 9 < 1.5) | ((row - column) % 9 < 1.5)
    if name == "dots":
        odd = (row // 5) % 2
        return np.hypot(row % 5 - 2.5, (column + 2.5 * odd) % 5 - 2.5) < 1.25
    if name == "crosses":
        r, c = np.abs(row % 14 - 7), np.abs(column % 14 - 7)
        return ((r < 0.6) & (c < 2.6)) | ((c < 0.6) & (r < 2.6))
    return np.zeros(row.shape, bool)
