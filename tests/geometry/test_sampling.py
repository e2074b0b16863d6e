"""Noise told from relief, where the points lie far apart."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.sampling import noise_level

NOISE = 0.05


def ribbed(spacing_mm: float, seed: int = 4) -> np.ndarray:
    """A plate of 160 by 100 mm; three quarters of it bear ribs 3 mm high and 4 mm wide, 4 mm apart."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, (160, 100), (int(16_000 / spacing_mm**2), 2)).T
    rib = (x > 40) & (x % 8 < 4)
    return np.column_stack([x, y, 3.0 * rib + rng.normal(0, NOISE, len(x))])


@pytest.mark.parametrize("spacing_mm", [0.3, 1.0, 1.5, 2.0])
def test_relief_between_points_is_no_noise(spacing_mm: float) -> None:
    """Of a fused plate with letters it was .5 mm where .02 were: a tolerance of four times as much tells nothing."""
    assert 0.6 * NOISE < noise_level(ribbed(spacing_mm)) < 4.5 * NOISE


def test_where_points_are_dense_it_is_the_median_of_all() -> None:
    flat = ribbed(0.3)
    assert noise_level(flat[flat[:, 0] < 40]) == pytest.approx(NOISE, rel=0.05)
