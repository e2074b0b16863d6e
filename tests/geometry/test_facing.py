"""Which way points look, and what nobody scanned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry.facing import Facing, direction_shares, facing_of
from pipeline.geometry.tangent_patches import tangent_patches
from pipeline.part import Capture


def ball(count: int = 20_000, centre: tuple[float, float, float] = (5.0, 0.0, 0.0)) -> tuple[np.ndarray, np.ndarray]:
    outward = np.random.default_rng(1).normal(size=(count, 3))
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    return 30 * outward + centre, outward


def facing(points: np.ndarray, normals: np.ndarray | None = None) -> Facing:
    return facing_of(Capture("a.ply", points, normals), tangent_patches(points), normals)


def test_a_whole_ball_is_measured_from_everywhere() -> None:
    assert min(direction_shares([facing(*ball())]).values()) > 97


@pytest.mark.parametrize("given", [True, False])
def test_half_a_ball_shows_nothing_from_below(given: bool) -> None:
    points, normals = ball()
    upper = normals[:, 2] > 0
    side = facing(points[upper], normals[upper].astype(np.float32) if given else None)
    share = direction_shares([side])
    assert side.sure
    assert share["underside"] < 3
    assert min(value for name, value in share.items() if name != "underside") > 95


def test_a_cap_misses_what_it_misses() -> None:
    """Of a ball scanned down to 30 degrees below its equator, a quarter of the area projected downwards is there."""
    points, normals = ball(40_000)
    kept = normals[:, 2] > -0.5
    share = direction_shares([facing(points[kept], normals[kept].astype(np.float32))])
    assert share["underside"] == pytest.approx(25, abs=2)  # 1 - cos^2(30)


def test_two_halves_that_overlap_make_a_whole() -> None:
    points, normals = ball(40_000)
    sides = [
        facing(points[kept], normals[kept].astype(np.float32)) for kept in (normals[:, 2] > -0.3, normals[:, 2] < 0.3)
    ]
    assert min(direction_shares(sides).values()) > 93


def test_up_is_where_the_table_is_not() -> None:
    points, normals = ball()
    kept = normals[:, 0] > 0
    share = direction_shares([facing(points[kept], normals[kept].astype(np.float32))], up=np.array([1.0, 0, 0]))
    assert share["underside"] < 3
    assert share["top"] == 100


def test_the_pose_is_followed() -> None:
    points, normals = ball()
    kept = normals[:, 2] > 0
    turned = np.diag([1.0, -1, -1, 1])
    capture = replace(Capture("a.ply", points[kept]), part_from_capture=turned)
    share = direction_shares([facing_of(capture, tangent_patches(points[kept]), None)])
    assert share["top"] < 3


def test_one_flat_sheet_does_not_tell_inside_from_outside() -> None:
    sheet = np.random.default_rng(2).uniform(0, 50, (5_000, 3)) * [1, 1, 0]
    assert not facing(sheet).sure


def test_the_table_tells_inside_from_outside() -> None:
    sheet = np.random.default_rng(2).uniform(0, 50, (5_000, 3)) * [1, 1, 0]
    patches = tangent_patches(sheet)
    for sign in (1.0, -1.0):
        capture = replace(Capture("a.ply", sheet), support_plane=np.array([0, 0, sign, 0]))
        found = facing_of(capture, patches, None)
        assert found.sure
        assert (found.normals @ [0, 0, sign]).min() > 0.99
