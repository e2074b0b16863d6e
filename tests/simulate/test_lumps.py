"""Marker lumps stick out as far as told, where the ticket says."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.lumps import with_lumps
from pipeline.simulate.rays import truth_distance
from pipeline.simulate.solids import box, mesh_of, solid_of


@pytest.mark.parametrize("name", ["bollard", "pump-impeller"])
def test_lumps_stand_on_the_surface(name: str) -> None:
    bare = FITTINGS[name](None)
    marked = with_lumps(bare, 3, height_mm=4, width_mm=10)
    assert len(marked.tops) == 3
    assert truth_distance(marked.tops, bare) == pytest.approx(4, abs=0.3)
    assert np.abs(truth_distance(marked.tops, marked.mesh)).max() < 0.01
    dome = np.pi * 4 * 25 * 2 / 3  # half an ellipsoid
    assert solid_of(marked.mesh).volume() - solid_of(bare).volume() == pytest.approx(3 * dome, rel=0.2)


def test_lumps_keep_apart_and_are_the_same_again() -> None:
    bare = FITTINGS["bollard"](None)
    tops = with_lumps(bare, 4, seed=5).tops
    assert min(np.linalg.norm(a - b) for k, a in enumerate(tops) for b in tops[:k]) > 15
    assert np.array_equal(tops, with_lumps(bare, 4, seed=5).tops)
    assert not np.array_equal(tops, with_lumps(bare, 4, seed=6).tops)


def test_too_many_are_refused() -> None:
    with pytest.raises(ValueError, match="no room for 9 lumps"):
        with_lumps(mesh_of(box((20, 20, 20))), 9)
