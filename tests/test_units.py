"""A unit mixed up on export is asked about, not worked into a part of the wrong size."""

from __future__ import annotations

import pytest

from pipeline.part import MM_PER_UNIT
from pipeline.units import fineness_doubt, scene_doubt, size_doubt


def test_the_factors_are_those_of_the_units() -> None:
    # International yard and pound agreement of 1959: 1 inch = 25.4 mm exactly (NIST SP 811, B.8; from memory).
    inch = MM_PER_UNIT["in"] / MM_PER_UNIT["mm"]
    assert (inch, round(inch**2, 6), round(inch**3, 6)) == (25.4, 645.16, 16387.064)
    metre = MM_PER_UNIT["m"] / MM_PER_UNIT["mm"]
    assert (metre, metre**2, metre**3) == (1e3, 1e6, 1e9)


@pytest.mark.parametrize(("extent", "spacing"), [(0.4, 0.0003), (400_000.0, 300.0), (300.0, 0.001), (300.0, 30.0)])
def test_a_scene_of_an_impossible_size_is_doubted(extent: float, spacing: float) -> None:
    assert scene_doubt(extent, spacing, "mm") is not None


def test_the_unit_that_would_fit_is_named() -> None:
    doubt = scene_doubt(0.4, 0.0003, "mm")
    assert doubt is not None
    assert doubt.fitting == ("m",)
    assert "metres (400 mm across)" in doubt.text


def test_a_scene_smaller_than_its_part_may_be_in_any_unit_that_makes_it_larger() -> None:
    """Exported in inches, 463 mm of bench about a part of 180 mm: a scene says no more than that."""
    doubt = scene_doubt(18.24, 0.04, "mm", 180.0)
    assert doubt is not None
    assert doubt.fitting == ("cm", "in")
    assert "463 mm" in doubt.text
    assert doubt.text.endswith("larger than the part")
    assert scene_doubt(463.0, 1.0, "mm", 180.0) is None


def test_an_ordinary_scene_is_not_doubted() -> None:
    for extent in (30.0, 300.0, 3000.0):
        assert scene_doubt(extent, 0.3, "mm") is None


@pytest.mark.parametrize("factor", [25.4, 1 / 25.4, 1000.0, 0.001, 10.0, 0.1])
def test_a_part_of_another_size_than_announced_is_doubted(factor: float) -> None:
    doubt = size_doubt([120 * factor, 80 * factor, 40 * factor], [120.0], "mm")
    assert doubt is not None
    assert bool(doubt.fitting) == (1 / factor > 1)


def test_a_size_that_no_unit_explains_is_no_question_of_the_unit() -> None:
    """Each edge is off by another factor: the riser is still in."""
    doubt = size_doubt([336.0, 200.0, 230.0], [120.0, 80.0, 41.0], "mm")
    assert doubt is not None
    assert doubt.fitting == ()
    assert "no other unit" in doubt.text


def test_a_hand_measured_size_may_be_rough() -> None:
    assert size_doubt([120, 80, 40], [110.0], "mm") is None
    assert size_doubt([120, 80, 40], [40, 118, 82], "mm") is None
    assert size_doubt([120, 80, 40], [40, 118, 120], "mm") is not None


@pytest.mark.parametrize(("factor", "fitting"), [(10, ("cm", "in")), (25.4, ("cm", "in"))])
def test_a_scene_finer_than_scanners_measure_may_be_in_a_larger_unit(factor: float, fitting: tuple[str, ...]) -> None:
    """300 mm of bench at 0.5 mm, good to 0.05 mm, exported in centimetres or inches: all of it is still believable."""
    assert scene_doubt(300 / factor, 0.5 / factor, "mm") is None
    doubt = fineness_doubt(300 / factor, 0.5 / factor, 0.05 / factor, "mm")
    assert doubt is not None
    assert doubt.fitting == fitting


def test_fine_or_exact_alone_is_no_doubt() -> None:
    assert fineness_doubt(300.0, 0.5, 0.05, "mm") is None
    assert fineness_doubt(30.0, 0.05, 0.02, "mm") is None
    assert fineness_doubt(300.0, 0.5, 0.0, "mm") is None
    assert fineness_doubt(1000.0, 0.05, 0.002, "in") is None  # in metres it would be 39 m across
