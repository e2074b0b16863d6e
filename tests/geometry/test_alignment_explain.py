"""Who is named when sides do not fit: the odd one where evidence tells, else nobody who may be right."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from pipeline.geometry.alignment.evidence import Evidence
from pipeline.geometry.alignment.explain import contradiction_words, odd_one, symmetry_words
from pipeline.geometry.alignment.graph import Guess
from pipeline.geometry.alignment.solve import Found
from pipeline.simulate.poses import random_rigid

NAMES = ("a.ply", "b.ply", "c.ply", "d.ply")
GOOD = Evidence(samples=1_000, support=700)
SLIGHT = Evidence(samples=1_000, support=200, off=1)
WRONG = Evidence(samples=1_000, support=500, off=25)


def found(count: int, good: set[tuple[int, int]], otherwise: Evidence = WRONG) -> Found:
    """What a search offered: the pairs that fit by themselves, and something else for every other."""
    pairs = [(i, j) for i in range(count) for j in range(i + 1, count)]
    offered = {pair: [Guess(np.eye(4), WRONG), Guess(np.eye(4), GOOD if pair in good else otherwise)] for pair in pairs}
    nothing = cast(Any, None)
    return Found(nothing, [], [], (0.0, (0, 1)), np.zeros(count), offered, [nothing] * count)


@pytest.mark.parametrize("otherwise", [WRONG, SLIGHT])
def test_the_side_that_fits_none_is_named_and_not_those_it_drew_apart(otherwise: Evidence) -> None:
    mixed = found(3, {(0, 1)}, otherwise)
    assert odd_one(mixed) == 2
    words = contradiction_words(mixed, (0, 1), 40.0, odd_one(mixed), NAMES)
    assert words.startswith("c.ply fits none of the other captures, which fit one another")
    assert "a.ply" not in words
    assert "b.ply" not in words
    assert odd_one(found(4, {(0, 1), (1, 3)}, otherwise)) == 2


@pytest.mark.parametrize(
    ("count", "good"), [(2, set()), (3, set()), (4, {(0, 1), (2, 3)}), (4, {(0, 1)}), (3, {(0, 1), (1, 2)})]
)
def test_nobody_is_the_odd_one_where_nothing_tells(count: int, good: set[tuple[int, int]]) -> None:
    assert odd_one(found(count, good)) is None


def test_two_that_fit_by_themselves_are_not_said_not_to_fit() -> None:
    chain = found(3, {(0, 1), (1, 2)})
    assert contradiction_words(chain, (0, 1), 4.0, odd_one(chain), NAMES).startswith(
        "The captures do not all fit together: 4.0 percent"
    )
    assert contradiction_words(chain, (0, 2), 4.0, odd_one(chain), NAMES).startswith(
        "a.ply and c.ply do not fit: 4.0 percent"
    )


def test_a_direction_is_that_of_the_side_named() -> None:
    rng = np.random.default_rng(4)
    facing = rng.normal(size=(4_000, 3))
    facing /= np.linalg.norm(facing, axis=1, keepdims=True)
    round_side = SimpleNamespace(seen=SimpleNamespace(side=SimpleNamespace(points=30.0 * facing, normals=facing)))
    part_from_side = random_rigid(rng, 0.0)
    half_turn = np.diag([-1.0, 1.0, -1.0, 1.0])  # about the named side's y
    poses = [np.array([np.eye(4), pose]) for pose in (part_from_side, part_from_side @ half_turn)]
    best, other = (cast(Any, SimpleNamespace(poses=one)) for one in poses)
    ready = [cast(Any, round_side)] * 2
    words = symmetry_words(Found(best, [other], [], (1.0, (0, 1)), np.zeros(2), {}, ready), NAMES)
    assert re.search(
        r"b.ply may be turned by 180.0 degrees about the direction "
        r"\(-?0\.00, -?1\.00, -?0\.00\) of the capture's own frame",
        words,
    )
