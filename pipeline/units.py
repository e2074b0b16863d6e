"""Is the size believable? A unit mixed up on export gives a perfect part of the wrong size."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.part import MM_PER_UNIT, FloatArray, Unit

# What a handheld structured-light scanner can have in front of it: common practice, no source.
SMALLEST_SCENE_MM, LARGEST_SCENE_MM = 5.0, 5_000.0
FINEST_SPACING_MM, COARSEST_SPACING_MM = 0.01, 10.0
SIZE_TOLERANCE = 0.25


def robust_extent_mm(points: FloatArray) -> float:
    """Diagonal of the box that holds the middle 98 % of the points (n, 3) along each axis."""
    low, high = np.percentile(points, (1, 99), axis=0)
    return float(np.linalg.norm(high - low))


def scene_doubt(extent_mm: float, spacing_mm: float, unit: Unit) -> str | None:
    """Why a whole scene cannot be in the unit it was read in, or None."""
    if not SMALLEST_SCENE_MM <= extent_mm <= LARGEST_SCENE_MM:
        text = f"read in {unit} it is {_length(extent_mm)} across"
    elif not FINEST_SPACING_MM <= spacing_mm <= COARSEST_SPACING_MM:
        text = f"read in {unit} its points lie {_length(spacing_mm)} apart"
    else:
        return None
    fitting = [
        f"{other} ({_length(extent_mm * MM_PER_UNIT[other] / MM_PER_UNIT[unit])})"
        for other in MM_PER_UNIT
        if _believable(extent_mm, spacing_mm, MM_PER_UNIT[other] / MM_PER_UNIT[unit])
    ]
    return f"{text}, which no handheld scan is" + (f"; believable would be: {', '.join(fitting)}" if fitting else "")


def size_doubt(extents_mm: Sequence[float], expected_mm: Sequence[float], unit: Unit) -> str | None:
    """Why a part of these extents is not the one that the ticket announces, or None.

    One expected size is compared with the largest extent; three are compared largest to smallest, each within
    25 %: hands measure roughly, and an arbitrary frame makes boxes larger.
    """
    measured = sorted(extents_mm, reverse=True)[: len(expected_mm)]
    ratios = [got / want for got, want in zip(measured, sorted(expected_mm, reverse=True), strict=True)]
    if all(1 / (1 + SIZE_TOLERANCE) <= ratio <= 1 + SIZE_TOLERANCE for ratio in ratios):
        return None
    text = f"the part measures {' x '.join(f'{v:.4g}' for v in measured)} mm read in {unit}, "
    text += f"the ticket expects {' x '.join(f'{v:.4g}' for v in sorted(expected_mm, reverse=True))} mm"
    for other, mm in MM_PER_UNIT.items():
        factor = mm / MM_PER_UNIT[unit]
        if other != unit and all(0.8 <= ratio * factor <= 1.25 for ratio in ratios):
            return f"{text}; read in {other} it would fit"
    return text


def _believable(extent_mm: float, spacing_mm: float, factor: float) -> bool:
    return (
        SMALLEST_SCENE_MM <= extent_mm * factor <= LARGEST_SCENE_MM
        and FINEST_SPACING_MM <= spacing_mm * factor <= COARSEST_SPACING_MM
    )


def _length(mm: float) -> str:
    return f"{mm / 1000:.3g} m" if mm >= 1000 else f"{mm:.3g} mm"
