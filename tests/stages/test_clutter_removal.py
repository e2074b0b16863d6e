"""The part among its clutter: kept whole where the scene is clear, doubted where it is not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.formats.reading import read_capture
from pipeline.part import Capture, Declared, transformed
from pipeline.simulate.scanner import SimulatedCapture
from pipeline.simulate.scene import Label
from pipeline.stages.clutter_removal import ClutterRemoval
from pipeline.stages.plane_strip import PlaneStrip
from tests.cleaning import doubts, foreign, kept, recall, simulated, worked
from tests.meshes import sample_meshes

CLEAR: list[tuple[str, dict[str, Any]]] = [
    ("gudgeon", {"riser": "block", "paper": "free"}),
    ("swan-finial", {"riser": "column", "paper": "free", "noise_mm": 0.1}),
    ("bollard", {"riser": "column", "noise_mm": 0.02, "points": 120_000}),
    ("mooring-cleat", {"riser": "block", "paper": "free", "normals": False}),
    ("swan-finial", {"riser": "block", "wall": True}),
    ("nameplate", {"riser": "none", "paper": "free"}),
    ("gudgeon", {"riser": "none", "table": "none"}),
]
UNCLEAR: list[tuple[str, dict[str, Any]]] = [
    ("gudgeon", {"riser": "block", "hand": True}),
    ("mooring-cleat", {"riser": "none", "paper": "touching"}),
    ("gudgeon", {"riser": "block", "paper": "touching"}),
    ("pump-impeller", {"riser": "none", "paper": "covering", "noise_mm": 0.2}),
]
TOUCHING: list[tuple[str, dict[str, Any]]] = [
    ("swan-finial", {"riser": "none", "paper": "covering"}),
    ("bollard", {"riser": "block", "hand": True}),
]


@pytest.mark.parametrize(("fitting", "scene"), CLEAR)
def test_a_clear_scene_gives_the_whole_part_and_nothing_else(fitting: str, scene: dict[str, Any]) -> None:
    shot = simulated(fitting, **scene)
    after, told = worked(shot.capture)
    assert not doubts(told)
    assert recall(shot, after) >= 0.98
    assert foreign(shot, after) <= 0.005


@pytest.mark.parametrize(("fitting", "scene"), UNCLEAR)
def test_what_cannot_be_told_apart_is_doubted(fitting: str, scene: dict[str, Any]) -> None:
    shot = simulated(fitting, **scene)
    after, told = worked(replace(shot.capture, colours=None))
    assert _right(shot, after) or doubts(told)


@pytest.mark.parametrize(("fitting", "scene"), TOUCHING)
def test_colours_tell_what_touches_from_the_part(fitting: str, scene: dict[str, Any]) -> None:
    shot = simulated(fitting, **scene)
    after, told = worked(shot.capture)
    assert not doubts(told)
    assert recall(shot, after) >= 0.98
    assert foreign(shot, after) <= 0.005
    # The same in one colour is a question.
    grey = np.full(shot.capture.points.shape, 180, np.uint8)
    assert doubts(worked(replace(shot.capture, colours=grey))[1])


@pytest.mark.parametrize(("fitting", "scene"), UNCLEAR[1:3])
def test_a_part_painted_half_as_the_paper_is_not_cut_in_two(fitting: str, scene: dict[str, Any]) -> None:
    shot = simulated(fitting, **scene)
    own = shot.labels == Label.PART
    height = transformed(shot.capture.points, shot.part_from_capture)[:, 2]
    low = own & (height < np.quantile(height[own], 0.4))
    assert shot.capture.colours is not None
    colours = np.array(shot.capture.colours)
    colours[low] = colours[np.flatnonzero(shot.labels == Label.PAPER)[: low.sum()]]
    after, told = worked(replace(shot.capture, colours=colours))
    assert _right(shot, after) or doubts(told)


def _right(shot: SimulatedCapture, after: Capture) -> bool:
    return recall(shot, after) >= 0.98 and foreign(shot, after) <= 0.005


def test_the_riser_is_as_high_as_it_was() -> None:
    _, told = worked(simulated("gudgeon", riser="block", riser_height_mm=33.0).capture)
    assert told[-1].measures["riser_height_mm"] == pytest.approx(33.0, abs=0.3)


def test_a_declared_riser_settles_what_may_be_a_foot() -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    after, told = worked(shot.capture, declared=Declared(riser_height_mm=40.0))
    assert not doubts(told)
    assert recall(shot, after) > 0.99
    without, _ = worked(shot.capture, declared=Declared(riser_height_mm=0.0))
    assert len(without.points) > len(after.points)


@pytest.mark.parametrize(
    ("riser", "paper", "told_mm", "doubted"),
    [
        ("block", "none", 40.0, []),
        ("block", "none", 30.0, ["part-unsure-cut"]),
        ("block", "none", 46.0, ["part-unsure-cut"]),
        ("column", "free", 40.0, []),
    ],
)
def test_a_riser_that_does_not_end_at_the_height_of_the_ticket_is_asked_about(
    riser: str, paper: str, told_mm: float, doubted: list[str]
) -> None:
    """A riser measured too low by hand left the rest of its walls on the part, too high it took the part's edge."""
    shot = simulated("swan-finial", riser=riser, paper=paper, riser_height_mm=40.0)
    after, told = worked(shot.capture, declared=Declared(riser_height_mm=told_mm))
    assert doubts(told) == doubted
    assert bool((kept(shot.capture, after) & (np.asarray(shot.labels) == Label.RISER)).any()) == (told_mm < 40.0)


def test_a_riser_that_stands_in_paper_is_not_left_on_the_part_in_silence() -> None:
    """Paper hides its foot, so its height above the table is not that of the ticket."""
    shot = simulated("bollard", riser="block", paper="covering", riser_height_mm=40.0)
    after, told = worked(shot.capture, declared=Declared(riser_height_mm=40.0))
    left = np.asarray(shot.labels)[kept(shot.capture, after)] == Label.RISER
    assert "part-unsure-cut" in doubts(told) or left.mean() < 0.002


def test_a_part_on_the_table_says_that_it_was_cut_there() -> None:
    _, told = worked(simulated("nameplate", riser="none", paper="free").capture)
    assert any("cut at the table" in text for text in told[-1].warnings)


@pytest.mark.parametrize("size", [(40.0,), (300.0, 200.0, 100.0), (140.0, 20.0, 20.0)])
def test_another_size_than_declared_is_doubted(size: tuple[float, ...]) -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    _, told = worked(shot.capture, declared=Declared(expected_size_mm=size))
    assert "part-unsure-size" in doubts(told)


def test_the_size_declared_is_taken_as_it_is() -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    own = shot.capture.points[shot.labels == 0]
    frame = own @ shot.part_from_capture[:3, :3].T
    size = tuple(float(edge) for edge in np.ptp(frame, axis=0))
    assert not doubts(worked(shot.capture, declared=Declared(expected_size_mm=size))[1])


@pytest.mark.parametrize("scale", [0.2, 5.0])
def test_a_scene_of_another_size_gives_the_same(scale: float) -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    other = Capture("scaled.ply", shot.capture.points * scale, normals=shot.capture.normals)
    keep, again = (kept(each, worked(each)[0]) for each in (shot.capture, other))
    assert np.mean(keep != again) < 1e-3


def test_order_and_frame_do_not_matter() -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    assert shot.capture.normals is not None
    order = np.random.default_rng(5).permutation(len(shot.capture.points))
    turn = np.linalg.qr(np.random.default_rng(9).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    moved = Capture(
        "moved.ply",
        shot.capture.points[order] @ turn.T + [5.0, 60.0, -9.0],
        normals=shot.capture.normals[order] @ turn.T,
    )
    keep, again = kept(shot.capture, worked(shot.capture)[0]), kept(moved, worked(moved)[0])
    assert np.mean(again != keep[order]) < 5e-3


def test_what_was_removed_is_kept(tmp_path: Path) -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    before, _ = worked(shot.capture, *_before())
    after, _ = worked(before, ClutterRemoval(keep_removed=True), folder=tmp_path)
    gone = read_capture(tmp_path / "removed-clutter-removal-1.ply")
    assert len(gone.points) == len(before.points) - len(after.points)


def _before() -> tuple[Any, ...]:
    from tests.cleaning import CHAIN

    return CHAIN[:2]


@pytest.mark.parametrize("file", ["rangemaps/face000.ply", "bunny.obj"])
def test_a_real_capture_of_one_thing_stays_whole(file: str) -> None:
    # Public data of the installed pymeshlab.
    path = sample_meshes() / file
    if not path.is_file():
        pytest.skip(f"pymeshlab ships no {file} here")
    capture = read_capture(path)
    after, told = worked(capture, ClutterRemoval())
    assert len(after.points) == len(capture.points)
    assert not doubts(told)


@pytest.mark.parametrize(("ended", "doubted"), [(True, []), (False, ["part-unsure-clipped"])])
@pytest.mark.parametrize("rim", [8, 0])
def test_a_bar_runs_out_of_the_picture_only_where_its_ends_are_open(rim: int, ended: bool, doubted: list[str]) -> None:
    """It reaches three quarters of the way to the edge of its board, or to the border of a picture of a larger one."""
    rng = np.random.default_rng(0)

    def face(low: tuple[float, float, float], high: tuple[float, float, float], normal: tuple[int, int, int]) -> Any:
        edges = np.subtract(high, low)
        count = int(np.prod(edges[edges > 0]))
        points = rng.uniform(low, high, (count, 3)) + rng.normal(0, 0.03, (count, 3))
        return points, np.tile(np.array(normal, np.float32), (count, 1))

    def block(x: float, y: float, low: float, high: float, ends: bool = True) -> list[Any]:
        faces = [face((-x, -y, high), (x, y, high), (0, 0, 1))]
        faces += [face((-x, s * y, low), (x, s * y, high), (0, s, 0)) for s in (-1, 1)]
        return faces + [face((s * x, -y, low), (s * x, y, high), (s, 0, 0)) for s in (-1, 1) if ends]

    points, normals = map(np.concatenate, zip(*block(60, 60, -rim, 0), *block(45, 15, 0, 40, ended), strict=True))
    free = (points[:, 2] > 0.5) | (np.abs(points[:, 0]) > 45) | (np.abs(points[:, 1]) > 15)
    capture = Capture("bar.ply", points[free], normals[free])
    _, told = worked(capture, PlaneStrip(), ClutterRemoval(), declared=Declared(expected_size_mm=(90.0, 40.0, 30.0)))
    assert doubts(told) == doubted
