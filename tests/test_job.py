"""What counts as a job."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import ConfigurationError, UsageError
from pipeline.job import job_name, load_job


def test_a_folder_is_a_job_and_its_other_files_are_named(tmp_path: Path) -> None:
    for name in ("b.PLY", "a.stl", "photo.jpg", "notes.txt", ".ready", "ticket.yaml"):
        (tmp_path / name).write_text("", encoding="utf-8")
    job = load_job(tmp_path)
    assert [path.name for path in job.captures] == ["a.stl", "b.PLY"]
    assert set(job.ignored) == {"photo.jpg", "notes.txt"}


def test_a_single_file_is_a_job(tmp_path: Path) -> None:
    file = tmp_path / "cleat.stl"
    file.write_text("", encoding="utf-8")
    assert load_job(file).name == "cleat"


def test_what_is_no_job_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="does not exist"):
        load_job(tmp_path / "none")
    with pytest.raises(UsageError, match="holds no capture"):
        load_job(tmp_path)
    (tmp_path / "link").symlink_to(tmp_path)
    with pytest.raises(UsageError, match="symbolic link"):
        load_job(tmp_path / "link")
    (tmp_path / "notes.txt").write_text("Matted on Monday.\nThe riser was lent.\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"notes.txt holds words and no points"):
        load_job(tmp_path)


def test_a_ticket_about_captures_that_are_not_there_is_refused_with_its_line(tmp_path: Path) -> None:
    (tmp_path / "top.ply").write_text("", encoding="utf-8")
    (tmp_path / "ticket.yaml").write_text("part: x\ncaptures:\n  topp.ply: {side: top}\n", encoding="utf-8")
    with pytest.raises(
        ConfigurationError, match=r":3: captures.topp.ply: there is no such capture. Did you mean top.ply"
    ):
        load_job(tmp_path)


def test_a_capture_that_the_ticket_names_already_is_not_proposed_for_one_that_is_missing(tmp_path: Path) -> None:
    (tmp_path / "side-2.ply").write_text("", encoding="utf-8")
    text = "captures:\n  side-2.ply: {side: top}\n  side-3.ply: {side: bottom}\n"
    (tmp_path / "ticket.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigurationError, match=r":3: .*no such capture. Put it here, or take the entry out. Capt"):
        load_job(tmp_path)


MISNAMED = [
    *("Ticket.YAML", "ticket.yml", "ticket.yaml.txt", "ticket.txt", "ticket.json", "TICKET"),
    *("ticket (1).yaml", "my ticket.yml", "sub/ticket.yaml"),
]


@pytest.mark.parametrize("name", MISNAMED)
@pytest.mark.parametrize("beside", [True, False])
def test_what_looks_like_a_ticket_is_not_passed_over(name: str, beside: bool, tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    for file in ("top.ply", name, *(["ticket.yaml"] if beside else [])):
        (tmp_path / file).write_text("unit: in\n", encoding="utf-8")
    with pytest.raises(UsageError, match=rf"{re.escape(name)} looks like a ticket.*Name it ticket.yaml"):
        load_job(tmp_path)


def test_what_goes_with_a_ticket_is_no_second_one(tmp_path: Path) -> None:
    beside = ("ticket.yaml~", "ticket.yaml.bak", "ticket.jpg", ".ticket.yaml.swp", "settings.yaml")
    for name in ("ticket.ply", "ticket-clip.xyz", "ticket.yaml", *beside):
        (tmp_path / name).write_text("", encoding="utf-8")
    job = load_job(tmp_path)
    assert [path.name for path in job.captures] == ["ticket-clip.xyz", "ticket.ply"]


NOTE = "Bracket, 3 sides.\nAbout 120 x 80 x 40 mm.\n28.11.2026, bench 2\n"


def test_a_note_is_no_capture_and_a_folder_of_notes_no_part(tmp_path: Path) -> None:
    (tmp_path / "papers").mkdir()
    for name in ("side-1.ply", "readme.txt", "Anmerkung.TXT", "papers/what I did.txt"):
        (tmp_path / name).write_text(NOTE, encoding="utf-8")
    job = load_job(tmp_path)
    assert [path.name for path in job.captures] == ["side-1.ply"]
    assert set(job.ignored) == {"readme.txt", "Anmerkung.TXT", "papers"}


POINTS = "0 1.5 2\n1 2,5 3\n"


@pytest.mark.parametrize(
    "text",
    ["", "x y z\n" + POINTS, "// a\n" * 40 + POINTS, "A 1 2 3\nB 2 3 4\n", "(0.5; 1; 2)\n", "1\0\0", NOTE * 2000],
)
def test_what_may_be_points_is_not_left_out_as_a_note(text: str, tmp_path: Path) -> None:
    for name in ("part.ply", "other.txt"):
        (tmp_path / name).write_text(text, encoding="utf-8")
    assert [path.name for path in load_job(tmp_path).captures] == ["other.txt", "part.ply"]


def test_a_text_without_points_that_must_be_a_capture_is_one(tmp_path: Path) -> None:
    """So its reader says what is wrong with it."""
    for name in ("side-1.ply", "side-2.txt", "words.txt"):
        (tmp_path / name).write_text(NOTE, encoding="utf-8")
    assert [path.name for path in load_job(tmp_path).captures] == ["side-1.ply", "side-2.txt"]
    (tmp_path / "side-1.ply").unlink()
    (tmp_path / "side-2.txt").unlink()
    assert [path.name for path in load_job(tmp_path).captures] == ["words.txt"]


def test_captures_beside_and_in_a_folder_are_a_question_that_names_one(tmp_path: Path) -> None:
    (tmp_path / "old").mkdir()
    for name in ("top.ply", "old/top.xyz"):
        (tmp_path / name).write_text(POINTS, encoding="utf-8")
    with pytest.raises(UsageError, match=r"both itself and in folders: old/top\.xyz\."):
        load_job(tmp_path)


@given(st.text())
def test_a_job_name_is_always_a_good_folder_name(text: str) -> None:
    name = job_name(text)
    assert 0 < len(name) <= 120
    assert not set(name) & set('/\\\0:*?"<>|')
    assert not name.startswith(".")


def test_sides_in_a_format_that_is_not_read_are_told_from_what_goes_with_the_captures(tmp_path: Path) -> None:
    captures = ("side-1.ply", "side-2.ply")
    beside = ("side-1.mtl", "side-2.txt.bak", "side-7.jpg", "side.pdf", "notes3.txt", "README")
    for name in (*captures, *beside, "Side-3.e57", "side-4.csv.gz", "ticket.yaml"):
        (tmp_path / name).write_text("", encoding="utf-8")
    job = load_job(tmp_path)
    assert job.left_out == ("Side-3.e57",)
    (tmp_path / "side-1.ply").rename(tmp_path / "swan.ply")
    (tmp_path / "side-2.ply").unlink()
    assert load_job(tmp_path).left_out == ()
