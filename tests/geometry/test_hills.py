"""Above the highest peak of what lies around, nothing but the part is left."""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.geometry.gauge import gauge
from pipeline.geometry.hills import surely_part
from pipeline.geometry.standing import Standing, cells_of, standing
from pipeline.part import FloatArray

TABLE = np.array([0.0, 0.0, 1.0, 0.0])
SPACING = 1.0


def on_table(*things: trimesh.Trimesh) -> tuple[Standing, FloatArray, np.ndarray]:
    """The scene of some things on a table, its points and (n,) the number of the thing each belongs to."""
    found = [trimesh.sample.sample_surface(one, int(one.area / SPACING**2), seed=k)[0] for k, one in enumerate(things)]
    points = np.concatenate(found)
    of = np.repeat(np.arange(len(found)), [len(each) for each in found])
    above = points[:, 2] > SPACING
    points, of = points[above], of[above]
    cells = cells_of(points, gauge(points))
    return standing(cells, points, None, TABLE), points, of


def box(width: float, height: float, at: tuple[float, float] = (0.0, 0.0), foot: float = 0.0) -> trimesh.Trimesh:
    out = trimesh.creation.box((width, width, height))
    out.apply_translation((*at, foot + height / 2))
    return out


def heap(radius: float, height: float, at: tuple[float, float]) -> trimesh.Trimesh:
    out = trimesh.creation.cone(radius, height)
    out.apply_translation((*at, 0.0))
    return out


def sure(scene: Standing, low: float = 0.0, *, cut_sure: bool = True) -> np.ndarray:
    """(n,) points that surely are the part's."""
    chosen = scene.solid & (scene.height > low)
    return surely_part(scene, chosen, low, cut_sure=cut_sure)[scene.cells.of_point]


def test_what_stands_above_the_heaps_that_touch_it_is_sure() -> None:
    scene, points, of = on_table(box(30, 80), heap(30, 30, (30, 0)), heap(25, 20, (-10, 32)))
    found = sure(scene)
    assert not found[of > 0].any()
    assert found[(of == 0) & (points[:, 2] > 30 + 2 * scene.cell)].all()
    assert not found[(of == 0) & (points[:, 2] < 30 - 2 * scene.cell)].any()


def test_a_thing_that_stands_alone_is_sure_down_to_its_foot() -> None:
    scene, _, _ = on_table(box(30, 80))
    assert sure(scene).mean() > 0.99


def test_a_second_horn_about_as_high_is_no_heap() -> None:
    scene, points, _ = on_table(box(60, 20), box(15, 80, (-20, 0)), box(15, 70, (20, 0)))
    assert sure(scene)[points[:, 2] > 25].all()


def test_a_riser_that_may_stand_on_the_ground_s_crests_is_not_sure_above_its_height() -> None:
    scene, points, _ = on_table(box(30, 80, foot=40), box(20, 40), heap(30, 12, (60, 0)))
    assert sure(scene, 40.0)[points[:, 2] > 42].all()
    unsure = sure(scene, 40.0, cut_sure=False)
    assert unsure[points[:, 2] > 52 + 2 * scene.cell].all()
    assert not unsure[points[:, 2] < 52 - 2 * scene.cell].any()


def test_of_nothing_nothing_is_sure() -> None:
    scene, _, _ = on_table(box(30, 80))
    nothing = np.zeros(len(scene.cells), bool)
    assert not surely_part(scene, nothing, 0.0, cut_sure=True).any()
