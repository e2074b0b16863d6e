"""What stays behind when the part is turned over is foreign; what only one side could see is not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from pipeline.formats.reading import read_capture
from pipeline.geometry.between import foreign_between, strays_between, unconfirmed_between
from pipeline.geometry.samples import samples_of
from pipeline.geometry.surroundings import remembering
from pipeline.part import Capture, Declared, FloatArray, Part
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.scanner import CLEAN, SimulatedCapture, scan_sides
from pipeline.simulate.scene import Label, Scene
from pipeline.stage import StageContext
from pipeline.stages.alignment import Alignment


@pytest.fixture(scope="module")
def sides() -> tuple[SimulatedCapture, ...]:
    """Two sides of a gudgeon, each with another thing beside it that does not belong to it, in the part's frame."""
    scene = Scene(part=FITTINGS["gudgeon"](4), second=FITTINGS["sheave"](4), riser="block", seed=4)
    return scan_sides(scene, ("top", "left"), points=40_000, seed=4, aligned=True, scanner=CLEAN)


def only(shot: SimulatedCapture, *labels: Label) -> Capture:
    """What a perfect cleaning, or one that took another thing along, would leave."""
    keep = np.isin(shot.labels, labels)
    return remembering(shot.capture.select(keep), samples_of(shot.capture), ~keep)


def test_a_thing_that_stays_behind_is_foreign(sides: tuple[SimulatedCapture, ...]) -> None:
    given = [only(sides[0], Label.PART, Label.OTHER), *(only(shot, Label.PART) for shot in sides[1:])]
    found = foreign_between(given)
    other = sides[0].labels[np.isin(sides[0].labels, (Label.PART, Label.OTHER))] == Label.OTHER
    assert found[0][other].mean() > 0.8
    assert found[0][~other].mean() < 0.002
    assert max(flags.mean() for flags in found[1:]) < 0.01


def test_a_clean_part_loses_nothing(sides: tuple[SimulatedCapture, ...]) -> None:
    assert max(flags.mean() for flags in foreign_between([only(shot, Label.PART) for shot in sides])) < 0.01


def test_one_capture_alone_is_no_evidence(sides: tuple[SimulatedCapture, ...]) -> None:
    assert not foreign_between([sides[0].capture])[0].any()


def test_frames_do_not_matter(sides: tuple[SimulatedCapture, ...]) -> None:
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    part_from_other: FloatArray = np.eye(4)
    part_from_other[:3, :3], part_from_other[:3, 3] = turn, [40.0, -7.0, 11.0]

    def moved(capture: Capture) -> Capture:
        assert capture.normals is not None
        points, normals = (capture.points - part_from_other[:3, 3]) @ turn, capture.normals @ turn
        around = None if capture.surroundings is None else moved(capture.surroundings)
        return Capture("moved.ply", points, normals=normals, part_from_capture=part_from_other, surroundings=around)

    first, second = only(sides[0], Label.PART, Label.OTHER), only(sides[1], Label.PART)
    other = sides[0].labels[np.isin(sides[0].labels, (Label.PART, Label.OTHER))] == Label.OTHER
    for found in (
        foreign_between([first, second])[0],
        foreign_between([first, moved(second)])[0],
    ):
        assert found[other].mean() > 0.8
        assert found[~other].mean() < 0.002


def test_alignment_removes_it_says_so_and_keeps_it_for_a_look(
    sides: tuple[SimulatedCapture, ...], tmp_path: Path
) -> None:
    given = (only(sides[0], Label.PART, Label.OTHER), only(sides[1], Label.PART))
    context = StageContext(np.random.default_rng(0), tmp_path, Alignment.all_measures())
    # The other thing is a third of the capture, more than a stage removes unless it is told that it may.
    stage = Alignment(most_foreign_percent=50.0, keep_removed=True)
    part = stage.apply(Part("part", given, declared=Declared(aligned=True)), context)
    assert [reason.code for reason in context.reasons] == ["foreign-between"]
    other = np.count_nonzero(sides[0].labels == Label.OTHER)
    gone, others = (len(old.points) - len(new.points) for old, new in zip(given, part.captures, strict=True))
    assert gone > 0.8 * other
    foreign = context.measures["foreign_percent"] * len(given[0].points) / 100
    assert foreign + context.measures["strays_count"] == pytest.approx(gone + others)
    assert others <= context.measures["strays_count"] < 0.001 * len(given[0].points)
    assert len(read_capture(tmp_path / "removed-alignment-1.ply").points) == gone


def test_what_may_be_the_part_is_left_and_asked_about(sides: tuple[SimulatedCapture, ...], tmp_path: Path) -> None:
    given = (only(sides[0], Label.PART, Label.OTHER), only(sides[1], Label.PART))
    context = StageContext(np.random.default_rng(0), tmp_path, Alignment.all_measures())
    stage = Alignment(most_foreign_percent=0.0)
    part = stage.apply(Part("part", given, declared=Declared(aligned=True)), context)
    assert "foreign-between" in [reason.code for reason in context.reasons]
    gone = sum(len(old.points) - len(new.points) for old, new in zip(given, part.captures, strict=True))
    assert gone == context.measures["strays_count"] < 10


def with_strays(capture: Capture) -> tuple[Capture, int]:
    """The capture with points some millimetres off its surface, and how many: as sparse as it is, they pass for it."""
    assert capture.normals is not None
    stray = np.arange(100, len(capture.points), 500)
    points = np.concatenate([capture.points, capture.points[stray] + 5.0 * capture.normals[stray]])
    return Capture(
        capture.name,
        points,
        normals=np.concatenate([capture.normals, capture.normals[stray]]),
        surroundings=capture.surroundings,
        part_from_capture=capture.part_from_capture,
    ), len(stray)


def test_strays_stand_alone_among_all_captures(sides: tuple[SimulatedCapture, ...]) -> None:
    dirty, count = with_strays(only(sides[0], Label.PART))
    found = strays_between([dirty, *(only(shot, Label.PART) for shot in sides[1:])])
    assert found[0][-count:].mean() > 0.8
    assert found[0][:-count].mean() < 0.001
    assert found[1].mean() < 0.001


def test_alignment_removes_strays_and_writes_them_down(sides: tuple[SimulatedCapture, ...], tmp_path: Path) -> None:
    dirty, count = with_strays(only(sides[0], Label.PART))
    context = StageContext(np.random.default_rng(0), tmp_path, Alignment.all_measures())
    given = Part("part", (dirty, only(sides[1], Label.PART)), declared=Declared(aligned=True))
    part = Alignment(keep_removed=True).apply(given, context)
    gone = len(dirty.points) - len(part.captures[0].points)
    assert gone > 0.8 * count
    assert context.measures["strays_count"] >= gone
    assert len(read_capture(tmp_path / "removed-alignment-1.ply").points) == gone
    assert not context.reasons


def test_of_what_is_doubtful_stays_what_another_capture_shows_again(sides: tuple[SimulatedCapture, ...]) -> None:
    given = [only(sides[0], Label.PART, Label.OTHER), only(sides[1], Label.PART)]
    every = np.ones(len(given[0].points), bool)
    gone, of_other = unconfirmed_between([replace(given[0], doubtful=every), given[1]])
    foreign = sides[0].labels[np.isin(sides[0].labels, (Label.PART, Label.OTHER))] == Label.OTHER
    again = cKDTree(given[1].points).query(given[0].points)[0] < 1.0
    assert gone[foreign].mean() > 0.97
    assert gone[again & ~foreign].mean() < 0.05  # along the border of what both show
    assert not of_other.any()


def test_what_is_not_doubtful_stays_though_nothing_shows_it_again(sides: tuple[SimulatedCapture, ...]) -> None:
    given = [only(sides[0], Label.PART, Label.OTHER), only(sides[1], Label.PART)]
    assert not any(flags.any() for flags in unconfirmed_between(given))


def test_two_captures_that_show_the_same_paper_do_not_hold_it_against_a_third() -> None:
    """Two that lie on the same face show the riser at the same place; a third looked through there."""
    scene = Scene(part=FITTINGS["gudgeon"](4), riser="block", riser_height_mm=20.0, seed=4)
    shots = scan_sides(scene, ("top", "top", "left", "bottom"), points=30_000, seed=4, aligned=True, scanner=CLEAN)
    given = [only(shot, Label.PART, Label.RISER) for shot in shots[:2]] + [only(one, Label.PART) for one in shots[2:]]
    of_riser = [shot.labels[np.isin(shot.labels, (Label.PART, Label.RISER))] == Label.RISER for shot in shots[:2]]
    given[:2] = [replace(one, doubtful=flags) for one, flags in zip(given[:2], of_riser, strict=True)]
    gone = unconfirmed_between(given)
    for flags, riser in zip(gone[:2], of_riser, strict=True):
        assert flags[riser].mean() > 0.85  # all but its top, beside the part
        assert not flags[~riser].any()
