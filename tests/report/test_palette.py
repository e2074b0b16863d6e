"""Colours can be told apart by people with each of the common colour deficiencies."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from pipeline.report import palette

# Machado, Oliveira & Fernandes 2009, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
# severity 1.0, on linear RGB; the numbers are from memory. Each row sums to one: white stays white.
SIGHT = {
    "full": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
JUST_NOTICEABLE = 2.3  # Mahy, Van Eycken & Oosterlinck 1994, CIE 1976; from memory
# sRGB to XYZ, IEC 61966-2-1; white D65
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def lab(colour: palette.Rgb, sight: str) -> np.ndarray:
    """CIE 1976 L*a*b* of a colour as it is seen."""
    c = np.array(colour) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.array(SIGHT[sight]) @ linear, 0, 1)
    ratio = XYZ @ seen / XYZ.sum(axis=1)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(a: palette.Rgb, b: palette.Rgb, sight: str) -> float:
    return float(np.linalg.norm(lab(a, sight) - lab(b, sight)))


def test_the_models_keep_white() -> None:
    for matrix in SIGHT.values():
        assert np.sum(matrix, axis=1) == pytest.approx(1, abs=1e-4)


@pytest.mark.parametrize("sight", SIGHT)
def test_steps_of_the_deviation_scale(sight: str) -> None:
    for a, b in combinations(palette.BANDS, 2):
        assert apart(a.colour, b.colour, sight) > 4 * JUST_NOTICEABLE, (a, b)


def test_the_scale_reads_in_grey_too() -> None:
    """Lightness falls on both sides of the middle; the ends, which would be confused, carry different patterns."""
    light = [lab(band.colour, "full")[0] for band in palette.BANDS]
    assert light[:4] == sorted(light[:4])
    assert light[3:] == sorted(light[3:], reverse=True)
    assert palette.BANDS[0].pattern != palette.BANDS[-1].pattern


@pytest.mark.parametrize("sight", SIGHT)
def test_the_first_four_sides(sight: str) -> None:
    for a, b in combinations(palette.SIDES[:4], 2):
        assert apart(a, b, sight) > 4 * JUST_NOTICEABLE, (a, b)


def test_bands_meet_without_gap() -> None:
    for a, b in zip(palette.BANDS, palette.BANDS[1:], strict=False):
        assert a.high == b.low


@pytest.mark.parametrize("name", ["stripes", "hatch", "dots", "crosses"])
def test_patterns_leave_most_of_the_colour(name: str) -> None:
    row, column = np.mgrid[0:1260, 0:1260] / 4.0
    assert 0.01 < palette.pattern(name, row, column).mean() < 0.4
