"""The written-out products are numpy's."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.vectors import cross, dot, length


def test_products_are_numpys_for_any_shapes_that_broadcast() -> None:
    rng = np.random.default_rng(3)
    one, other = rng.normal(size=(5, 1, 3)), rng.normal(size=(7, 3))
    np.testing.assert_allclose(cross(one, other), np.cross(one, other), rtol=1e-12)
    np.testing.assert_allclose(length(one), np.linalg.norm(one, axis=-1), rtol=1e-12)


def test_scalar_products_run_along_the_first_axis() -> None:
    rng = np.random.default_rng(4)
    one, other = rng.normal(size=(2, 3, 5, 7))
    np.testing.assert_allclose(dot(one, other), (one * other).sum(axis=0), rtol=1e-12)
