"""Numbers as people read them."""

from __future__ import annotations

import pytest

from pipeline.report import words

NB = "\u00a0"


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.03421, "mm", f"0.034{NB}mm"),
        (-0.2, "mm", f"\u22120.200{NB}mm"),
        (152.2134, "mm", f"152.21{NB}mm"),
        (12480, "count", "12,480"),
        (98.24, "percent", f"98.2{NB}%"),
        (0.0333, "percent", f"0.033{NB}%"),
        (0, "percent", f"0.0{NB}%"),
        (12000, "mm2", f"12,000{NB}mm²"),
        (3.5, "deg", "3.5°"),
        (0.91, "ratio", "0.91"),
    ],
)
def test_numbers(value: float, unit: str, text: str) -> None:
    assert words.number(value, unit) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.44, f"0.4{NB}s"), (38, f"38{NB}s"), (250, f"4{NB}min 10{NB}s"), (7500, f"2{NB}h 05{NB}min")],
)
def test_durations(seconds: float, text: str) -> None:
    assert words.duration(seconds) == text


@pytest.mark.parametrize(
    ("size", "text"), [(999, f"999{NB}B"), (1400, f"1.4{NB}kB"), (2_478_136, f"2.5{NB}MB"), (271e9, f"271{NB}GB")]
)
def test_file_sizes(size: int, text: str) -> None:
    assert words.size_of_file(size) == text


def test_addresses_survive_any_name() -> None:
    assert words.link("..", "a b#%", "?.html") == "../a%20b%23%25/%3F.html"
