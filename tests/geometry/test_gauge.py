"""One search gives the same lengths as two."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.gauge import gauge
from pipeline.geometry.sampling import noise_level, point_spacing


@pytest.mark.parametrize("count", [30, 50_000])
def test_spacing_and_noise_are_those_of_the_single_questions(count: int) -> None:
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(0, np.sqrt(count), (count, 2)), rng.normal(0, 0.05, count)])
    found = gauge(points)
    assert found.spacing == pytest.approx(point_spacing(points), rel=0.02)
    assert found.noise == pytest.approx(noise_level(points), rel=0.1)
    if count > 1_000:
        assert found.spacing == pytest.approx(1.0, rel=0.05)  # one point a square millimetre
        assert found.noise == pytest.approx(0.05, rel=0.05)


def test_points_that_all_coincide_have_no_vanishing_length() -> None:
    assert gauge(np.zeros((100, 3))).spacing > 0
