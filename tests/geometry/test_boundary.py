"""Borders found from the few faces about them, beside a look at every edge."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import icosphere

from pipeline.geometry.boundary import boundary_loops, on_border, open_halves
from pipeline.geometry.edges import edges_of

VERTICES, FACES = icosphere(4, 10.0)


def holed(seed: int) -> np.ndarray:
    """A ball with holes, some of which touch; single faces are missing, and rows of them."""
    rng = np.random.default_rng(seed)
    drop = rng.random(len(FACES)) < 0.02
    corner = np.zeros(len(VERTICES), bool)
    corner[rng.choice(len(VERTICES), 5, replace=False)] = True
    return FACES[~(drop | corner[FACES].any(axis=1))]


def turned(faces: np.ndarray, seed: int) -> np.ndarray:
    """Some faces turned over: along their sides both run the same way."""
    some = np.random.default_rng(seed).random(len(faces)) < 0.1
    return np.where(some[:, None], faces[:, ::-1], faces).astype(np.int32)


def finned(faces: np.ndarray) -> np.ndarray:
    """A third face along some edges."""
    fins = np.column_stack([faces[::40, :2], np.full(len(faces[::40]), faces.max() + 1)])
    return np.concatenate([faces, fins]).astype(np.int32)


CASES = {
    "closed": FACES,
    "holes": holed(1),
    "more holes": holed(2),
    "some turned over": turned(holed(3), 3),
    "edges of three faces": finned(holed(4)),
    "in another order": holed(5)[np.random.default_rng(5).permutation(len(holed(5)))],
    "one face": FACES[:1],
    "nothing": np.zeros((0, 3), np.int32),
}


@pytest.mark.parametrize("name", CASES)
def test_open_half_edges_are_those_that_a_look_at_all_edges_finds(name: str) -> None:
    faces = CASES[name]
    edges = edges_of(faces)
    assert np.array_equal(open_halves(faces), edges.boundary_halves)
    border = np.zeros(len(VERTICES) + 1, bool)
    border[edges.ends[edges.faces_count == 1]] = True
    assert np.array_equal(on_border(faces, open_halves(faces), len(border)), border)
    assert (name == "closed" or len(faces) == 0) != border.any()


@pytest.mark.parametrize("name", CASES)
def test_loops_are_the_same_whether_the_edges_are_known_or_not(name: str) -> None:
    faces = CASES[name]
    found, known = boundary_loops(faces), boundary_loops(faces, edges_of(faces))
    assert [loop.tolist() for loop in found] == [loop.tolist() for loop in known]
    if name != "edges of three faces":  # a border that runs into such an edge ends there
        assert sum(len(loop) for loop in found) == np.count_nonzero(edges_of(faces).faces_count == 1)
