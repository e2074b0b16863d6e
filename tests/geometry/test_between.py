"""What stays behind when the part is turned over is foreign; what only one side could see is not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.formats.reading import read_capture
from pipeline.geometry.between import foreign_between
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
    gone = len(given[0].points) - len(part.captures[0].points)
    assert gone > 0.8 * other
    assert len(part.captures[1].points) == len(given[1].points)
    assert context.measures["foreign_percent"] == pytest.approx(100 * gone / len(given[0].points))
    assert len(read_capture(tmp_path / "removed-alignment-1.ply").points) == gone


def test_what_may_be_the_part_is_left_and_asked_about(sides: tuple[SimulatedCapture, ...], tmp_path: Path) -> None:
    given = (only(sides[0], Label.PART, Label.OTHER), only(sides[1], Label.PART))
    context = StageContext(np.random.default_rng(0), tmp_path, Alignment.all_measures())
    stage = Alignment(most_foreign_percent=0.0)
    part = stage.apply(Part("part", given, declared=Declared(aligned=True)), context)
    assert "foreign-between" in [reason.code for reason in context.reasons]
    assert len(part.captures[0].points) == len(given[0].points)
