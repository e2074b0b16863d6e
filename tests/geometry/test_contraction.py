"""Vertices drawn together, and given back."""

from __future__ import annotations

import fast_simplification
import numpy as np
from meshes import icosphere

from pipeline.geometry.contraction import Contraction, nothing_contracted
from pipeline.geometry.topology import inspect
from pipeline.part import Mesh

BALL = Mesh(*icosphere(4, 10.0))


def collapsed(ball: Mesh, count: int) -> tuple[Contraction, np.ndarray]:
    """And the faces that the library itself gives, by the places of their corners."""
    places, faces, collapses = fast_simplification.simplify(
        np.array(ball.vertices), np.array(ball.faces), target_count=count, return_collapses=True
    )
    used = np.arange(len(ball.vertices))
    found = nothing_contracted(ball).collapsed(used, places, collapses.astype(np.int64))
    assert found is not None
    return found, places[faces]


def by_place(corners: np.ndarray) -> set[tuple[float, ...]]:
    """Faces (m, 3, 3) as a set, each beginning with its lowest corner."""
    keys = [[tuple(corner) for corner in face] for face in np.round(corners, 9).tolist()]
    return {sum(face[face.index(min(face)) :] + face[: face.index(min(face))], ()) for face in keys}


def test_it_is_what_the_library_made() -> None:
    found, library = collapsed(BALL, 800)
    assert by_place(found.places[found.faces]) == by_place(library)
    assert len(found.contracted.faces) == len(library)


def test_what_is_taken_back_is_there_as_it_was_and_the_rest_as_it_is() -> None:
    found, _ = collapsed(BALL, 800)
    top = int(found.into[np.argmax(BALL.vertices[:, 2])])
    back = found.drawn_into(np.unique(found.faces[(found.faces == top).any(axis=1)]).astype(np.int64))
    mended = found.undone(back)
    report = inspect(mended.places, mended.faces)
    assert report.watertight
    assert report.euler_characteristic == 2
    before = by_place(BALL.vertices[BALL.faces[back[BALL.faces].all(axis=1)]])
    now, then = by_place(mended.places[mended.faces]), by_place(found.places[found.faces])
    assert len(before) > 20
    assert before <= now
    away = ~back[found.faces].any(axis=1)
    assert by_place(found.places[found.faces[away]]) <= now & then
    assert 0 < len(now) - len(then) < 3 * len(before)


def test_all_taken_back_is_the_mesh_before() -> None:
    found, _ = collapsed(BALL, 200)
    mended = found.undone(np.ones(len(BALL.vertices), bool))
    assert by_place(mended.places[mended.faces]) == by_place(BALL.vertices[BALL.faces])


def test_a_collapse_of_a_collapse_is_one() -> None:
    once, _ = collapsed(BALL, 1_500)
    used = np.unique(once.faces).astype(np.int64)
    places, faces, collapses = fast_simplification.simplify(
        np.array(once.contracted.vertices), np.array(once.contracted.faces), target_count=300, return_collapses=True
    )
    twice = once.collapsed(used, places, collapses.astype(np.int64))
    assert twice is not None
    assert by_place(twice.places[twice.faces]) == by_place(places[faces])
    back = twice.undone(np.ones(len(BALL.vertices), bool))
    assert by_place(back.places[back.faces]) == by_place(BALL.vertices[BALL.faces])


def test_a_fin_of_two_faces_back_to_back_is_left_out() -> None:
    """The ring about a vertex drawn into two: its faces there lie on one another, and the surface closes without."""
    tip = 500
    at_tip = BALL.faces[(BALL.faces == tip).any(axis=1)]
    following = {}
    for face in at_tip.tolist():
        one, other = (face[(face.index(tip) + step) % 3] for step in (1, 2))
        following[one] = other
    ring = [next(iter(following))]
    while following[ring[-1]] != ring[0]:
        ring.append(following[ring[-1]])
    into = np.arange(len(BALL.vertices))
    into[ring[:3]], into[ring[3:]] = ring[0], ring[3]
    found = Contraction(BALL, into, BALL.vertices)
    report = inspect(found.places, found.faces)
    assert tip not in found.faces
    assert report.watertight
    assert report.euler_characteristic == 2


def test_faces_are_found_again_where_they_stayed() -> None:
    found, _ = collapsed(BALL, 800)
    back = found.drawn_into(found.faces[0].astype(np.int64))
    mended = found.undone(back)
    row = found.faces_in(mended)
    stays = row >= 0
    assert np.array_equal(mended.faces[row[stays]], found.faces[stays])
    assert np.array_equal(~stays, back[found.faces].any(axis=1))


def test_places_that_do_not_fit_the_collapses_are_refused() -> None:
    used = np.arange(len(BALL.vertices))
    one = np.array([[0, 1]])
    assert nothing_contracted(BALL).collapsed(used, BALL.vertices, one) is None
    assert nothing_contracted(BALL).collapsed(used, BALL.vertices[1:], one) is not None
