"""The support by what it does: its own edge in the picture and paper along its rim do not speak against it."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.support_plane import Plane, planes

SPACING = 1.2
Surface = tuple[np.ndarray, np.ndarray]


def _sheet(size: tuple[float, float], middle: tuple[float, float, float], normal: tuple[int, int, int]) -> Surface:
    """Points and normals of a flat sheet across one axis."""
    axis = int(np.flatnonzero(normal)[0])
    u, v = (np.arange(-edge / 2, edge / 2, SPACING) for edge in size)
    points = np.zeros((len(u) * len(v), 3))
    points[:, [k for k in range(3) if k != axis]] = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    return points + middle, np.tile(np.array(normal, float), (len(points), 1))


def _block(side: float, low: float) -> list[Surface]:
    walls = [
        _sheet((side, side), tuple(side / 2 * np.array(n) + [0, 0, low + side / 2]), n)  # type: ignore[arg-type]
        for n in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0))
    ]
    return [*walls, _sheet((side, side), (0, 0, low + side), (0, 0, 1))]


def _table(radius: float, edge: float) -> Surface:
    """A level round picture of a table that ends at x = edge."""
    points, normals = _sheet((2 * radius, 2 * radius), (0, 0, 0), (0, 0, 1))
    seen = (np.linalg.norm(points, axis=1) < radius) & (points[:, 0] < edge)
    return points[seen], normals[seen]


def _level(parts: list[Surface], height: float = 0.0, part_size: float = np.inf) -> Plane | None:
    """The plane at a height, or None."""
    points, normals = (np.vstack(column) for column in zip(*parts, strict=True))
    points = points + np.random.default_rng(0).normal(0, 0.05, points.shape)
    found = [plane for plane in planes(points, normals, SPACING, 0.05, part_size) if abs(plane.equation[2]) > 0.99]
    return next((plane for plane in found if abs(plane.equation[3] + height) < 1), None)


def _confidence(parts: list[Surface], part_size: float = np.inf) -> float:
    """Of the plane z = 0; 0 when it is none."""
    plane = _level(parts, part_size=part_size)
    return 0.0 if plane is None else plane.confidence


def test_the_edge_of_the_table_in_the_picture_is_its_own() -> None:
    front = _sheet((80, 20), (90, 0, -10), (1, 0, 0))
    assert _confidence([_table(100, 90), front, *_block(40, 0)]) > 0.6


def test_the_upper_face_of_a_plate_is_no_table() -> None:
    # The same with its edge seen all round: it drops away on every side.
    round_edge = [
        _sheet((150, 20), tuple(75 * np.array(n) + [0, 0, -10]), n)  # type: ignore[arg-type]
        for n in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0))
    ]
    plate = _sheet((150, 150), (0, 0, 0), (0, 0, 1))
    scene = [plate, *round_edge, *_block(40, 0)]
    assert _confidence(scene) < 0.15
    assert _confidence(scene, part_size=220) < 0.15, "its face could be as large"
    assert _confidence(scene, part_size=70) > 0.6, "no face of a block of 40 mm: a board, seen to its edges"


def test_paper_along_its_rim_does_not_make_a_table_the_floor_of_a_box() -> None:
    table, normals = _table(100, 200)
    # Strips of paper stand on it along most of the rim of what is seen, and beyond them it is seen again.
    turn = np.degrees(np.arctan2(table[:, 1], table[:, 0])) % 60
    away = np.linalg.norm(table, axis=1)
    under_paper = (away > 70) & (away < 80) & (turn < 50)
    paper = table[under_paper] + [0, 0, 1] * (4 + 6 * np.abs(np.sin(table[under_paper, :1])))
    slanted = np.tile(np.array([0.6, 0.0, 0.8]), (len(paper), 1))
    scene = [(table[~under_paper], normals[~under_paper]), (paper, slanted), *_block(40, 0)]
    assert _confidence(scene) > 0.6


def test_the_floor_of_a_round_box_is_no_table() -> None:
    floor, normals = _table(70, 200)
    turn, up = np.meshgrid(np.arange(0, 2 * np.pi, SPACING / 70), np.arange(0, 30, SPACING))
    inward = -np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=-1).reshape(-1, 3)
    wall = -70 * inward + np.array([0, 0, 1]) * up.reshape(-1, 1)
    assert _confidence([(floor, normals), (wall, inward), *_block(40, 0)]) < 0.15


def test_a_plate_on_the_table_lies_on_it_and_a_table_not_on_the_floor() -> None:
    points, normals = _table(150, 200)
    under = np.linalg.norm(points, axis=1) < 70
    table = (points[~under], normals[~under])
    for height, low in ((4.0, True), (300.0, False)):
        scene = [table, (points[under] + [0, 0, height], normals[under]), *_block(40, height)]
        lower, upper = _level(scene), _level(scene, height)
        assert lower is not None
        assert upper is not None
        assert upper.lies_on(lower) is low
        assert not lower.lies_on(upper)
