"""A capture as alignment sees it: which way its surface faces where the capture does not say."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.spatial import cKDTree

from pipeline.geometry.alignment.side import measured, sides
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.scanner import CLEAN, scan_sides
from pipeline.simulate.scene import Scene


@pytest.mark.parametrize(
    ("kind", "view", "points", "seed"),
    [("pipe-tee", "top", 20_000, 2), ("pump-impeller", "left", 16_000, 0), ("pipe-tee", "left", 12_000, 0)],
)
def test_the_faces_of_a_thin_wall_are_told_apart_or_not_believed(kind: str, view: str, points: int, seed: int) -> None:
    """A few samples on the lip are all that joins the inner face to the outer: one wrong link turns all beyond it."""
    views = ("top", "left", "front")
    scene = Scene(part=FITTINGS[kind](None), table="none", seed=seed)
    found = scan_sides(scene, views, points=points, noise_mm=0.05, seed=seed, scanner=CLEAN, colours=False)
    captures = [one.capture for one in found]
    side = sides([measured(replace(capture, normals=None)) for capture in captures])[views.index(view)]
    truth = captures[views.index(view)]
    assert truth.normals is not None
    outward = truth.normals[cKDTree(truth.points).query(side.points)[1]]
    wrong = (side.normals * outward).sum(axis=1) < 0
    assert (wrong & side.sure).mean() < 0.005
    assert side.facing_known.mean() > 0.6
