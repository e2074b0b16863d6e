"""The truth must be true: closed, the size of a fitting, and as symmetric as its kind says, no more."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.part import Mesh
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.poses import turn_up
from pipeline.simulate.rays import truth_distance
from pipeline.simulate.solids import solid_of


@pytest.mark.parametrize("seed", [None, 7])
@pytest.mark.parametrize("name", FITTINGS)
def test_every_fitting_is_one_closed_solid(name: str, seed: int | None) -> None:
    mesh = FITTINGS[name](seed)
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert other.is_watertight
    assert other.is_winding_consistent
    assert other.body_count == 1
    assert solid_of(mesh).volume() == pytest.approx(other.volume, rel=1e-6)
    assert other.volume > 0
    assert 60 <= np.ptp(mesh.vertices, axis=0).max() <= 300


@pytest.mark.parametrize("name", ["gudgeon", "mooring-cleat"])
def test_a_seed_draws_another_of_the_same_kind_and_always_the_same(name: str) -> None:
    make = FITTINGS[name].__wrapped__  # past the cache
    first, again, other = make(3), make(3), make(4)
    assert first.vertices.tobytes() == again.vertices.tobytes()
    assert not np.allclose(np.ptp(first.vertices, axis=0), np.ptp(other.vertices, axis=0), rtol=0.01)
    assert _holes(first) == _holes(other)


@pytest.mark.parametrize(("name", "holes"), [("pipe-tee", 2), ("bailer", 1), ("swan-finial", 0), ("bollard", 0)])
def test_through_holes_are_open(name: str, holes: int) -> None:
    assert _holes(FITTINGS[name](None)) == holes


def test_the_impeller_repeats_after_a_seventh_of_a_turn_and_not_before() -> None:
    mesh = FITTINGS["pump-impeller"](None)
    assert _misfit(mesh, 360 / 7).max() < 0.01
    assert _misfit(mesh, 360 / 14).max() > 2


def test_the_bollard_may_turn_freely() -> None:
    assert _misfit(FITTINGS["bollard"](None), 33.3).max() < 0.02  # what its facets leave


def test_the_cleat_is_the_same_both_ways_but_for_one_small_boss() -> None:
    misfit = _misfit(FITTINGS["mooring-cleat"](None), 180)
    assert np.quantile(misfit, 0.95) < 0.05
    assert 1 < misfit.max() < 5


def _misfit(mesh: Mesh, turn_deg: float) -> np.ndarray:
    samples, _ = trimesh.sample.sample_surface(
        trimesh.Trimesh(mesh.vertices, mesh.faces, process=False), 20_000, seed=1
    )
    return np.abs(truth_distance(samples @ turn_up((0, 0, 1), turn_deg).T, mesh))


def _holes(mesh: Mesh) -> int:
    return 1 - trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).euler_number // 2
