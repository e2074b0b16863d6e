"""Everything is where it was put, and labelled."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.part import transformed
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.rays import RayCaster
from pipeline.simulate.scene import Geometry, Label, Scene
from pipeline.simulate.solids import box, mesh_of

PLATE = mesh_of(box((80, 50, 20), (3, 4, 5)).refine_to_length(6))


def test_a_scene_holds_what_was_asked_for() -> None:
    scene = Scene(
        part=PLATE,
        riser="block",
        paper="free",
        cloth=True,
        wall=True,
        hand=True,
        second=FITTINGS["sheave"](None),
    )
    labels = set(scene.build().labels)
    assert labels == {*Label} - {Label.FLYING, Label.STRAY}
    assert set(Scene(part=PLATE, table="none").build().labels) == {Label.PART}


@pytest.mark.parametrize("riser", ["block", "column"])
def test_a_riser_carries_the_part_at_its_height(riser: str) -> None:
    built = Scene(part=PLATE, riser=riser, riser_height_mm=33).build()
    assert _of(built, Label.PART)[:, 2].min() == pytest.approx(33)
    assert _of(built, Label.RISER)[:, 2].max() == pytest.approx(33)
    assert _gap(built, Label.RISER, Label.PART) < 1e-3
    assert np.ptp(_of(built, Label.RISER)[:, 0]) < 80


def test_the_pose_takes_the_part_to_where_it_stands() -> None:
    built = Scene(part=PLATE, up=(1, 0, 0), spin_deg=20).build()
    assert transformed(PLATE.vertices, built.scene_from_part) == pytest.approx(_of(built, Label.PART))
    assert np.ptp(_of(built, Label.PART)[:, 2]) == pytest.approx(80)


@pytest.mark.parametrize("seed", [0, 1])
def test_free_paper_keeps_away_and_touching_paper_touches(seed: int) -> None:
    assert _gap(Scene(part=PLATE, paper="free", seed=seed).build(), Label.PAPER, Label.PART) > 3
    assert _gap(Scene(part=PLATE, paper="touching", seed=seed).build(), Label.PAPER, Label.PART) < 0.5


def test_covering_paper_leaves_no_table_to_see() -> None:
    built = Scene(part=PLATE, paper="covering").build()
    rng = np.random.default_rng(0)
    start = np.column_stack([rng.uniform(-120, 120, (500, 2)), np.full(500, 300.0)])
    _, face, _ = RayCaster(built.vertices, built.faces).cast(start, np.tile([0, 0, -1.0], (500, 1)))
    assert set(built.labels[face]) == {Label.PART, Label.PAPER}


@pytest.mark.parametrize("seed", [0, 1])
def test_a_second_thing_stands_beside_or_against_the_part(seed: int) -> None:
    other = FITTINGS["sheave"](None)
    beside = Scene(part=PLATE, second=other, seed=seed).build()
    against = Scene(part=PLATE, second=other, second_touching=True, seed=seed).build()
    assert 2 < _gap(beside, Label.OTHER, Label.PART) < 13
    assert _gap(against, Label.OTHER, Label.PART) < 1.0


def test_a_hand_touches_the_part() -> None:
    assert _gap(Scene(part=PLATE, riser="block", hand=True).build(), Label.HAND, Label.PART) < 1.5


def test_a_partial_table_ends_beside_the_part() -> None:
    part, table = (_of(Scene(part=PLATE, table="partial").build(), label) for label in (Label.PART, Label.TABLE))
    assert part[:, 0].min() - table[:, 0].min() > 0 or 0 < table[:, 0].max() - part[:, 0].max() < 40
    assert np.ptp(table[:, 0]) < 0.7 * np.ptp(table[:, 1])


def test_the_same_seed_builds_the_same_scene() -> None:
    first, again, other = (Scene(part=PLATE, paper="touching", hand=True, seed=s).build() for s in (1, 1, 2))
    assert first.vertices.tobytes() == again.vertices.tobytes()
    assert first.vertices.tobytes() != other.vertices.tobytes()


def _of(built: Geometry, label: Label) -> np.ndarray:
    return built.vertices[np.unique(built.faces[built.labels == label])]


def _gap(built: Geometry, one: Label, other: Label) -> float:
    """Smallest distance from the vertices of one thing to the triangles of the other."""
    return float(RayCaster(built.vertices, built.faces[built.labels == other]).distance(_of(built, one)).min())
