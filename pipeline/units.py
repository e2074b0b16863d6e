"""Is the size believable? A unit mixed up on export gives a perfect part of the wrong size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.part import MM_PER_UNIT, FloatArray, Unit

# What a handheld structured-light scanner can have in front of it: common practice, no source.
SMALLEST_SCENE_MM, LARGEST_SCENE_MM = 5.0, 5_000.0
FINEST_SPACING_MM, COARSEST_SPACING_MM = 0.01, 10.0
# Finer than nearly all of them resolve and repeat: common practice, no source.
FINE_SPACING_MM, FINE_NOISE_MM = 0.1, 0.01
SIZE_TOLERANCE = 0.25
_WORDS: dict[Unit, str] = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches"}


# A scene may be larger than its part, and a capture of one side somewhat smaller.
LEAST_SCENE, MOST_SCENE = 0.25, 100.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a size cannot be right, in words, and the units in which it could."""

    text: str
    fitting: tuple[Unit, ...]


def robust_extent_mm(points: FloatArray) -> float:
    """Diagonal of the box that holds the middle 98 % of the points (n, 3) along each axis."""
    low, high = np.percentile(points, (1, 99), axis=0)
    return float(np.linalg.norm(high - low))


def scene_doubt(extent_mm: float, spacing_mm: float, unit: Unit, expected_mm: float | None = None) -> Doubt | None:
    """Why a whole scene cannot be in the unit it was read in, or None.

    Parameters
    ----------
    extent_mm, spacing_mm : diagonal of the scene and distance of neighbouring points
    unit : what they were read in
    expected_mm : largest size of the part, where the ticket says it
    """
    if not SMALLEST_SCENE_MM <= extent_mm <= LARGEST_SCENE_MM:
        text = f"read in {_WORDS[unit]} it is {_length(extent_mm)} across, which no handheld scan is"
    elif not FINEST_SPACING_MM <= spacing_mm <= COARSEST_SPACING_MM:
        text = f"read in {_WORDS[unit]} its points lie {_length(spacing_mm)} apart, which those of no handheld scan do"
    elif expected_mm is not None and not _holds(extent_mm, expected_mm):
        text = f"with all that stands around the part it is {_length(extent_mm)} across read in {_WORDS[unit]}, "
        text += f"and the ticket expects a part of {_length(expected_mm)}"
    else:
        return None
    factors = _believable(extent_mm, spacing_mm, unit)
    fits = {u: f for u, f in factors.items() if expected_mm is None or _holds(extent_mm * f, expected_mm)}
    doubt = _could_be(text, extent_mm, fits)
    if expected_mm is not None and len(fits) > 1:
        doubt = replace(doubt, text=f"{doubt.text}; what stands around the part makes it larger than the part")
    return doubt


def fineness_doubt(extent_mm: float, spacing_mm: float, noise_mm: float, unit: Unit) -> Doubt | None:
    """Why a scene of believable size may be in a larger unit, or None: it is finer than handheld scanners measure.

    Parameters
    ----------
    extent_mm, spacing_mm, noise_mm : diagonal of the scene, distance of its points, and how exact these are
    unit : what they were read in
    """
    if spacing_mm >= FINE_SPACING_MM or noise_mm >= FINE_NOISE_MM:
        return None
    larger = {u: f for u, f in _believable(extent_mm, spacing_mm, unit).items() if f > 1}
    text = f"read in {_WORDS[unit]} its points lie {spacing_mm:.2g} mm apart and are exact to {noise_mm:.1g} mm, "
    return _could_be(text + "finer than handheld scanners measure", extent_mm, larger) if larger else None


def size_doubt(extents_mm: Sequence[float], expected_mm: Sequence[float], unit: Unit) -> Doubt | None:
    """Why a part of these extents is not the one that the ticket announces, or None.

    One expected size is compared with the largest extent; three are compared largest to smallest, each within
    25 %: hands measure roughly, and an arbitrary frame makes boxes larger.
    """
    measured = sorted(extents_mm, reverse=True)[: len(expected_mm)]
    ratios = [got / want for got, want in zip(measured, sorted(expected_mm, reverse=True), strict=True)]
    if all(1 / (1 + SIZE_TOLERANCE) <= ratio <= 1 + SIZE_TOLERANCE for ratio in ratios):
        return None
    text = f"the part measures {' x '.join(f'{v:.4g}' for v in measured)} mm read in {_WORDS[unit]}, "
    text += f"the ticket expects {' x '.join(f'{v:.4g}' for v in sorted(expected_mm, reverse=True))} mm"
    for other, mm in MM_PER_UNIT.items():
        factor = mm / MM_PER_UNIT[unit]
        if other != unit and all(0.8 <= ratio * factor <= 1.25 for ratio in ratios):
            return Doubt(f"{text}; read in {_WORDS[other]} it would fit", (other,))
    return Doubt(f"{text}, and it would fit in no other unit", ())


def _holds(extent_mm: float, expected_mm: float) -> bool:
    """Whether a scene of this extent may hold a part of that size."""
    return LEAST_SCENE * expected_mm <= extent_mm <= MOST_SCENE * expected_mm


def _believable(extent_mm: float, spacing_mm: float, unit: Unit) -> dict[Unit, float]:
    """The units in which a scene read in one of them would be believable, each with how many times larger it is."""
    factors = {other: mm / MM_PER_UNIT[unit] for other, mm in MM_PER_UNIT.items()}
    return {
        other: factor
        for other, factor in factors.items()
        if SMALLEST_SCENE_MM <= extent_mm * factor <= LARGEST_SCENE_MM
        and FINEST_SPACING_MM <= spacing_mm * factor <= COARSEST_SPACING_MM
    }


def _could_be(text: str, extent_mm: float, fitting: dict[Unit, float]) -> Doubt:
    """A doubt that names the units in which a scene could be, and its size in each."""
    could = " or ".join(f"{_WORDS[unit]} ({_length(extent_mm * factor)} across)" for unit, factor in fitting.items())
    return Doubt(text + (f"; it could be in {could}" if could else ""), tuple(fitting))


def _length(mm: float) -> str:
    return f"{mm / 1000:.3g} m" if mm >= 1000 else f"{mm:.3g} mm"
