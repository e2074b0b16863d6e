"""Triage: what the quick look says, what it writes beside the job, and that hostile files harm nothing else."""

from __future__ import annotations

import hashlib
import json
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from captures import sphere_ply

from pipeline.formats import CAPTURE_SUFFIXES
from pipeline.service import triage as module
from pipeline.service.child import Ended
from pipeline.service.inbox import look
from pipeline.service.limits import Allowance
from pipeline.service.look import look_at
from pipeline.service.notes import note_files, remove_note, write_verdict
from pipeline.service.triage import Finding, Verdict, triage
from pipeline.simulate.exports import export
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.scanner import scan
from pipeline.simulate.scene import Scene
from pipeline.site import Site


@pytest.fixture
def job(site: Site) -> Path:
    sphere_ply(site.inbox / "tiller" / "a.ply")
    return site.inbox / "tiller"


def test_readable_captures_are_counted(site: Site, job: Path) -> None:
    (job / "ticket.yaml").write_text("priority: high\n", encoding="utf-8")
    verdict = look_at(site, "tiller")
    assert verdict.readable
    assert (verdict.captures, verdict.points, verdict.priority) == (1, 2000, "high")


def test_a_truncated_capture_is_not_readable_and_named(site: Site, job: Path) -> None:
    data = (job / "a.ply").read_bytes()
    (job / "a.ply").write_bytes(data[:-50])
    verdict = look_at(site, "tiller")
    assert verdict.verdict == "unreadable"
    assert "a.ply" in verdict.findings[0].text


def test_a_unit_that_will_fail_is_told_while_the_part_is_on_the_bench(site: Site, job: Path) -> None:
    (job / "ticket.yaml").write_text("unit: m\n", encoding="utf-8")
    verdict = look_at(site, "tiller")
    assert verdict.verdict == "failing"
    assert "will fail as it is" in verdict.sentence()
    assert "unit" in verdict.findings[0].text


def test_the_capture_check_speaks_while_the_part_is_on_the_bench(site: Site, job: Path) -> None:
    (job / "ticket.yaml").write_text("captures:\n  a.ply: {frames: 120, frames_per_second: 20}\n", encoding="utf-8")
    verdict = look_at(site, "tiller")
    assert verdict.verdict == "doubt"
    assert any("120 frames" in finding.text for finding in verdict.findings)


def test_a_table_is_not_taken_for_the_part(site: Site) -> None:
    """What covers a table does not cover the part: of an arrival, which nobody has cleaned, coverage is not judged."""
    scene = Scene(part=FITTINGS["bollard"](None))
    capture = scan(scene, points=40_000, seed=1, normals=False, colours=False).capture
    (site.inbox / "bollard").mkdir()
    export(replace(capture, name="top.ply"), site.inbox / "bollard", "mm")
    (site.inbox / "bollard" / "ticket.yaml").write_text("recipe: replica\n", encoding="utf-8")
    verdict = look_at(site, "bollard")
    assert verdict.verdict == "good", verdict.findings


def test_captures_of_which_none_is_usable_are_to_be_scanned_again(site: Site) -> None:
    for name in ("a.ply", "b.ply"):
        sphere_ply(site.inbox / "cleat" / name, points=80, radius_mm=6.0)
    verdict = look_at(site, "cleat")
    assert verdict.verdict == "rescan"
    assert "No capture of cleat has the 100 points" in verdict.findings[0].text
    sphere_ply(site.inbox / "cleat" / "b.ply", radius_mm=6.0)
    assert look_at(site, "cleat").verdict == "doubt"


def test_mistakes_in_the_ticket_are_named_with_their_line(site: Site, job: Path) -> None:
    (job / "ticket.yaml").write_text("part: x\nunti: mm\n", encoding="utf-8")
    assert "ticket.yaml:2" in look_at(site, "tiller").findings[0].text


def test_an_unknown_recipe_will_fail_and_the_captures_are_looked_at_all_the_same(site: Site, job: Path) -> None:
    (job / "ticket.yaml").write_text("recipe: tinny\ncaptures: {a.ply: {frames: 12}}\n", encoding="utf-8")
    verdict = look_at(site, "tiller")
    assert (verdict.verdict, verdict.captures) == ("failing", 1)
    assert "can be worked" not in verdict.sentence()
    assert "tinny" in verdict.findings[0].text
    assert any("12 frames" in finding.text for finding in verdict.findings)


def test_one_capture_is_not_said_to_be_many(site: Site, job: Path) -> None:
    assert look_at(site, "tiller").sentence().startswith("1 capture, 2,000 points: ")
    sphere_ply(job / "b.ply")
    assert look_at(site, "tiller").sentence().startswith("2 captures, ")


def test_a_ticket_of_another_name_is_told_by_day(site: Site, job: Path) -> None:
    (job / "Ticket.YAML").write_text("unit: in\n", encoding="utf-8")
    verdict = look_at(site, "tiller")
    assert (verdict.verdict, verdict.empty) == ("unreadable", False)
    assert "Ticket.YAML looks like a ticket" in verdict.sentence()
    assert "Name it ticket.yaml" in verdict.findings[0].remedy


def test_a_folder_with_only_a_ticket_is_empty(site: Site) -> None:
    (site.inbox / "tiller").mkdir()
    (site.inbox / "tiller" / "ticket.yaml").write_text("part: tiller\n", encoding="utf-8")
    assert look_at(site, "tiller").empty


def test_several_parts_in_one_folder_are_a_question(site: Site) -> None:
    for name in ("one", "two"):
        sphere_ply(site.inbox / "tray" / name / "a.ply")
    assert "one/a.ply, two/a.ply" in look_at(site, "tray").findings[0].text


def test_one_folder_in_another_is_meant(site: Site) -> None:
    sphere_ply(site.inbox / "outer" / "inner" / "a.ply")
    assert look_at(site, "outer").captures == 1


@pytest.mark.parametrize("name", ["SHA256SUMS", "job.sha256"])
def test_a_checksum_list_that_fits(site: Site, job: Path, name: str) -> None:
    digest = hashlib.sha256((job / "a.ply").read_bytes()).hexdigest()
    (job / name).write_text(f"{digest}  a.ply\n", encoding="utf-8")
    assert look_at(site, "tiller").listed
    sphere_ply(job / "b.ply", seed=2)
    assert not look_at(site, "tiller").listed, "a capture that is not in the list may still be coming"


@pytest.mark.parametrize("lines", ["{0}  b.ply\n", "{1}  a.ply\n"])
def test_a_checksum_list_that_does_not_fit(site: Site, job: Path, lines: str) -> None:
    digest = hashlib.sha256((job / "a.ply").read_bytes()).hexdigest()
    (job / "SHA256SUMS").write_text(lines.format(digest, "0" * 64), encoding="utf-8")
    verdict = look_at(site, "tiller")
    assert verdict.sums_differ
    assert not verdict.readable


def test_a_single_file_with_its_list(site: Site) -> None:
    file = sphere_ply(site.inbox / "cleat.ply")
    file.with_name("cleat.ply.sha256").write_text(hashlib.sha256(file.read_bytes()).hexdigest())
    assert look_at(site, "cleat.ply").listed


def test_the_real_child_looks_at_good_and_bad(site: Site, job: Path) -> None:
    (site.inbox / "bad.ply").write_bytes(b"ply\nformat nonsense\n")
    before = {file: file.read_bytes() for file in site.inbox.rglob("*") if file.is_file()}
    heard: list[Verdict] = []
    arrivals = look(site.inbox, CAPTURE_SUFFIXES).arrivals
    triage(site, arrivals, heard.append, allowance=Allowance.of_this_machine())
    assert {verdict.entry: verdict.readable for verdict in heard} == {"tiller": True, "bad.ply": False}
    assert {file: file.read_bytes() for file in site.inbox.rglob("*") if file.is_file()} == before


def test_a_child_that_dies_over_one_looks_at_the_others(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in "abcd":
        (site.inbox / f"{name}.ply").write_bytes(b"x")
    asked: list[list[str]] = []

    def child(site: Site, entries, allowance, listen, leash) -> Ended:  # type: ignore[no-untyped-def]
        asked.append(list(entries))
        for entry in entries:
            listen(json.dumps({"begin": entry}))
            if entry == "b.ply":
                return Ended("itself", -11)
            listen(Verdict(entry=entry, verdict="good").model_dump_json())
        return Ended("itself", 0)

    monkeypatch.setattr(module, "_look_in_child", child)
    heard: list[Verdict] = []
    arrivals = sorted(look(site.inbox, CAPTURE_SUFFIXES).arrivals, key=lambda arrival: arrival.entry)
    triage(site, arrivals, heard.append, allowance=Allowance.of_this_machine())
    assert {verdict.entry: verdict.verdict for verdict in heard} == {
        "a.ply": "good", "b.ply": "unreadable", "c.ply": "good", "d.ply": "good",
    }  # fmt: skip
    assert asked == [["a.ply", "b.ply", "c.ply", "d.ply"], ["c.ply", "d.ply"]]


def test_a_child_that_does_not_even_start_ends(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in "ab":
        (site.inbox / f"{name}.ply").write_bytes(b"x")
    monkeypatch.setattr(sys, "executable", "/bin/false")
    heard: list[Verdict] = []
    triage(site, look(site.inbox, CAPTURE_SUFFIXES).arrivals, heard.append, allowance=Allowance.of_this_machine())
    assert sorted(verdict.entry for verdict in heard) == ["a.ply", "b.ply"]


def test_the_note_lies_beside_the_job_and_changes_nothing_of_it(site: Site, job: Path) -> None:
    arrivals = partial(look, site.inbox, CAPTURE_SUFFIXES)
    before = arrivals()
    findings = (Finding(text="<b>few</b> points", remedy="Scan again."),)
    write_verdict(site, Verdict(entry="tiller", verdict="rescan", findings=findings))
    assert arrivals() == before
    text, page = note_files(site, "tiller")
    assert "scan again" in text.read_text(encoding="utf-8")
    assert "What to do: Scan again." in text.read_text(encoding="utf-8")
    assert "&lt;b&gt;" in page.read_text(encoding="utf-8")
    write_verdict(site, Verdict(entry="tiller", verdict="good"))
    assert "can be worked" in text.read_text(encoding="utf-8")
    remove_note(site, "tiller")
    assert not text.exists()
    assert not page.exists()


def test_a_note_of_somebody_else_is_left_alone(site: Site, job: Path) -> None:
    text, _ = note_files(site, "tiller")
    text.write_text("my own triage", encoding="utf-8")
    write_verdict(site, Verdict(entry="tiller", verdict="good"))
    remove_note(site, "tiller")
    assert text.read_text(encoding="utf-8") == "my own triage"
