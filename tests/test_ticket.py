"""Tickets: every field optional, every mistake with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import ConfigurationError
from pipeline.ticket import Ticket, load_ticket

EVERYTHING = """\
part: 1234
client: Upper Lock Boatyard
operator: bench 2
recipe: replica
unit: in
captures:
  a.ply: {side: top, frames: 800, frames_per_second: 15, markers: [[1, 2, 3], [4, 5, 6.5]]}
expected_size_mm: [120, 80, 40.5]
tolerance_mm: 0.3
riser_height_mm: 25
aligned: true
setting: same
surface_preparation: chalk spray
priority: high
notes: |
  Handle with care.
"""


def test_every_key_of_a_ticket_is_read(tmp_path: Path) -> None:
    file = tmp_path / "ticket.yaml"
    file.write_text(EVERYTHING, encoding="utf-8")
    ticket = load_ticket(file)
    assert set(Ticket.model_fields) == ticket.model_fields_set
    assert ticket.part == "1234"
    assert ticket.captures["a.ply"].markers[1] == (4.0, 5.0, 6.5)
    declared = ticket.declared()
    assert declared.expected_size_mm == (120, 80, 40.5)
    assert declared.aligned
    assert declared.same_setting


def test_one_size_is_the_largest(tmp_path: Path) -> None:
    file = tmp_path / "ticket.yaml"
    file.write_text("expected_size_mm: 120\n", encoding="utf-8")
    assert load_ticket(file).declared().expected_size_mm == (120.0,)


@pytest.mark.parametrize("written", ["0", "0.0"])
def test_no_riser_is_another_thing_than_nothing_said_of_it(written: str, tmp_path: Path) -> None:
    file = tmp_path / "ticket.yaml"
    file.write_text(f"riser_height_mm: {written}\n", encoding="utf-8")
    assert load_ticket(file).declared().riser_height_mm == 0.0
    assert Ticket().declared().riser_height_mm is None


def test_a_number_is_not_said_to_be_a_name(tmp_path: Path) -> None:
    file = tmp_path / "ticket.yaml"
    file.write_text("riser_height_mm: -0.5\n", encoding="utf-8")
    with pytest.raises(ConfigurationError, match=r"should be greater than or equal to 0, not -0\.5 Mend it"):
        load_ticket(file)


def test_an_empty_ticket_is_a_ticket(tmp_path: Path) -> None:
    file = tmp_path / "ticket.yaml"
    file.write_text("# nothing yet\n", encoding="utf-8")
    assert load_ticket(file) == Ticket()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("unit: cms\n", ":1: unit: should be 'mm', 'cm', 'm' or 'in', not \"cms\""),
        ("unit: mm\nalinged: true\n", ":2: alinged: unknown key. Did you mean aligned?"),
        ("aligned: yes\n", ':1: aligned: should be a valid boolean, not "yes"'),
        ("tolerance_mm: 0\n", ":1: tolerance_mm: should be greater than 0, not 0"),
        ("part: 1.5\n", ":1: part: should be a valid string, not 1.5 (put it in quotes if it is a name)"),
        ("captures:\n  a.ply:\n    markers: [[1, 2]]\n", ":3: captures.a.ply.markers[1]"),
        ("captures:\n  a.ply:\n    frames: 1.5\n", ":3: captures.a.ply.frames: should be a valid integer"),
    ],
)
def test_a_mistake_is_named_with_its_line(tmp_path: Path, text: str, expected: str) -> None:
    file = tmp_path / "ticket.yaml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigurationError) as caught:
        load_ticket(file)
    assert expected in str(caught.value)
