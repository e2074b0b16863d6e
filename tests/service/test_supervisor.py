"""The loop, with time in hand: when jobs are taken, what becomes of them, what keeps them waiting."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from service_rig import FakeEngine, Rig, manifest_for, new_rig

from pipeline.errors import Outcome
from pipeline.manifest import read_manifest
from pipeline.service.inbox import Look
from pipeline.service.journal import State
from pipeline.service.notes import write_known
from pipeline.service.requeue import requeue
from pipeline.service.status import status_of
from pipeline.service.triage import Finding, Verdict


def test_a_quiet_job_is_taken_and_delivered(rig: Rig) -> None:
    rig.drop("tiller")
    supervisor = rig.supervisor()
    rig.go_on(supervisor, 55)
    assert rig.engine.placed == []
    rig.go_on(supervisor, 20)
    assert rig.engine.placed == [("tiller", 1)]
    assert read_manifest(rig.site.delivered / "tiller").outcome is Outcome.ACCEPTED
    assert (rig.site.raw / "tiller" / "a.ply").read_bytes() == b"points"
    assert list(rig.site.inbox.iterdir()) == []
    assert list(rig.site.work.iterdir()) == []


def test_the_ready_marker_needs_no_waiting(rig: Rig) -> None:
    rig.drop("tiller", ready=True)
    rig.supervisor().turn()
    assert [entry.job for entry in rig.journal.by_state(State.DONE)] == ["tiller"]


def test_a_job_that_keeps_changing_is_left_alone(rig: Rig) -> None:
    path = rig.drop("tiller")
    supervisor = rig.supervisor()
    for i in range(20):
        (path / "a.ply").write_bytes(b"points" * (i + 2))
        rig.go_on(supervisor, 30)
    assert rig.engine.placed == []
    rig.go_on(supervisor, 65)
    assert rig.engine.placed == [("tiller", 1)]


def test_a_change_between_the_look_and_the_claim_is_seen(rig: Rig) -> None:
    path = rig.drop("tiller")
    supervisor = rig.supervisor()
    rig.go_on(supervisor, 50)
    (path / "b.ply").write_bytes(b"more")
    rig.clock.pass_seconds(15)
    supervisor._fill_slots(rig.clock.monotonic())  # the last look is older than the change
    assert rig.engine.placed == []
    assert path.is_dir()


@pytest.mark.parametrize("days", [-1, 1])
def test_clock_jumps_take_nothing_early_and_lose_nothing(rig: Rig, days: int) -> None:
    rig.drop("tiller")
    supervisor = rig.supervisor()
    rig.go_on(supervisor, 20)
    rig.clock.wall += timedelta(days=days)
    rig.go_on(supervisor, 30)
    assert rig.engine.placed == []
    rig.go_on(supervisor, 30)
    assert rig.engine.placed == [("tiller", 1)]


@pytest.mark.parametrize("days", [-1, 1])
def test_clock_jumps_do_not_lose_the_wait_before_a_retry(rig: Rig, days: int) -> None:
    rig.engine.behaviour["tiller"] = lambda order: manifest_for(order, Outcome.FAILED, "crash")
    rig.drop("tiller", ready=True)
    supervisor = rig.supervisor()
    supervisor.turn()
    rig.clock.wall += timedelta(days=days)
    rig.go_on(supervisor, 50)
    assert len(rig.engine.placed) == 1
    rig.go_on(supervisor, 20)
    assert len(rig.engine.placed) == 2


def test_by_day_arrivals_are_looked_at_but_not_worked(tmp_path: Path) -> None:
    rig = new_rig(tmp_path / "site", 'hours: "19:00-06:00"')
    rig.clock.wall = rig.clock.wall.replace(hour=14)
    rig.drop("tiller")
    supervisor = rig.supervisor()
    rig.go_on(supervisor, 600)
    assert rig.triage.seen == ["tiller"]
    assert rig.engine.placed == []
    assert "can be worked" in (rig.site.inbox / "tiller.triage.txt").read_text(encoding="utf-8")
    rig.clock.wall = rig.clock.wall.replace(hour=19)
    rig.go_on(supervisor, 5)
    assert rig.engine.placed == [("tiller", 1)]
    assert list(rig.site.inbox.iterdir()) == []


def test_triage_comes_within_a_minute_and_again_after_a_change(rig: Rig) -> None:
    path = rig.drop("tiller")
    supervisor = rig.supervisor()
    rig.go_on(supervisor, 10)
    assert rig.triage.seen == ["tiller"]
    (path / "b.ply").write_bytes(b"more")
    rig.go_on(supervisor, 10)
    assert rig.triage.seen == ["tiller", "tiller"]


def test_what_cannot_be_read_yet_is_tried_after_a_quarter_of_an_hour(rig: Rig) -> None:
    unreadable = Verdict(entry="tiller", verdict="unreadable", findings=(Finding(text="a.ply is too short."),))
    rig.triage.verdicts["tiller"] = unreadable
    rig.drop("tiller")
    supervisor = rig.supervisor()
    rig.go_on(supervisor, 880, step=20)
    assert rig.engine.placed == []
    assert "too short" in supervisor.facts()["waiting"]["tiller"]
    rig.go_on(supervisor, 40, step=20)
    assert rig.engine.placed == [("tiller", 1)]


def test_whoever_sits_before_it_is_told_once_of_a_long_wait(rig: Rig) -> None:
    unreadable = Verdict(entry="tiller", verdict="unreadable", findings=(Finding(text="a.ply is too short."),))
    rig.triage.verdicts["tiller"] = unreadable
    rig.drop("tiller")
    told: list[tuple[str, float]] = []
    supervisor = rig.supervisor("run", on_wait=lambda entry, text, seconds: told.append((text, seconds)))
    rig.go_on(supervisor, 300, step=20)
    copying, reading = told
    assert copying[0] == "waiting for the copying to end"
    assert "too short" in reading[0]
    assert 700 < reading[1] < 900
    assert "too short" in supervisor.left()["tiller"]


def test_a_checksum_list_that_differs_goes_to_attention(rig: Rig) -> None:
    finding = Finding(text="a.ply is not as its checksum says.")
    rig.triage.verdicts["tiller"] = Verdict(entry="tiller", verdict="unreadable", sums_differ=True, findings=(finding,))
    rig.drop("tiller")
    rig.go_on(rig.supervisor(), 960, step=20)
    assert rig.engine.placed == []
    assert read_manifest(rig.site.attention / "tiller").reasons[0].code == "checksum-differs"


def test_links_and_pipes_are_refused_with_the_reason(rig: Rig) -> None:
    path = rig.drop("tiller", ready=True)
    (path / "b.ply").symlink_to("/etc/hostname")
    rig.go_on(rig.supervisor(), 70)
    assert rig.engine.placed == []
    text = (rig.site.attention / "tiller" / "REASON.txt").read_text(encoding="utf-8")
    assert "b.ply is a symbolic link" in text
    assert "nightmill requeue" in text
    assert (rig.site.raw / "tiller" / "b.ply").is_symlink()


def test_technical_faults_are_tried_three_times_with_waits(rig: Rig) -> None:
    rig.engine.behaviour["tiller"] = lambda order: manifest_for(order, Outcome.FAILED, "crash")
    rig.drop("tiller", ready=True)
    supervisor = rig.supervisor()
    supervisor.turn()
    rig.go_on(supervisor, 55)
    assert len(rig.engine.placed) == 1
    rig.go_on(supervisor, 10)
    assert len(rig.engine.placed) == 2
    rig.go_on(supervisor, 290)
    assert len(rig.engine.placed) == 2
    rig.go_on(supervisor, 1000)
    assert rig.engine.placed == [("tiller", 1), ("tiller", 2), ("tiller", 3)]
    assert (rig.site.attention / "tiller" / "REASON.txt").is_file()


def test_a_full_disk_is_a_technical_fault_and_makes_no_job_known(rig: Rig) -> None:
    rig.engine.behaviour["tiller"] = lambda order: manifest_for(order, Outcome.FAILED, "disk-full")
    supervisor = rig.supervisor()
    rig.drop("tiller", ready=True)
    rig.go_on(supervisor, 500)
    assert rig.engine.placed == [("tiller", 1), ("tiller", 2), ("tiller", 3)]
    rig.drop("again", ready=True)
    rig.go_on(supervisor, 10)
    assert rig.engine.placed[-1] == ("again", 1)


def test_a_delivered_job_without_its_page_says_so_in_status(rig: Rig) -> None:
    rig.clock.wall = datetime.now(UTC)
    rig.drop("tiller", ready=True)
    rig.supervisor().turn()  # the engine of these tests writes no page
    (told,) = status_of(rig.site)["night"]
    assert told["outcome"] == "accepted"
    assert f"nightmill report {rig.site.delivered / 'tiller'}" in told["text"]
    (rig.site.delivered / "tiller" / "index.html").touch()
    assert status_of(rig.site)["night"][0]["text"] is None


def test_bad_input_is_never_tried_again(rig: Rig) -> None:
    rig.engine.behaviour["tiller"] = lambda order: manifest_for(order, Outcome.FAILED, "capture-unreadable")
    rig.drop("tiller", ready=True)
    rig.go_on(rig.supervisor(), 1000, step=20)
    assert len(rig.engine.placed) == 1


def test_the_same_again_is_recognised_and_said(rig: Rig) -> None:
    rig.clock.wall = datetime.now(UTC)  # as status asks the machine's own clock what is recent
    supervisor = rig.supervisor()
    rig.drop("tiller", ready=True)
    supervisor.turn()
    rig.drop("another", ready=True)
    rig.go_on(supervisor, 5)
    assert rig.engine.placed == [("tiller", 1)]
    known = rig.journal.get("another")
    assert known is not None
    assert (known.state, known.same_as) == (State.KNOWN, "tiller")
    assert "the same as tiller" in (rig.site.inbox / "another.triage.txt").read_text(encoding="utf-8")
    assert [one["job"] for one in status_of(rig.site)["repeated"]] == ["another"]
    assert (rig.site.raw / "another" / "a.ply").is_file()


def test_the_same_under_two_names_at_once_is_worked_once(rig: Rig) -> None:
    rig.engine.behaviour["a"] = lambda order: manifest_for(
        order, Outcome.FAILED if order.attempt < 3 else Outcome.ACCEPTED, "crash"
    )
    for name in ("a", "b"):
        rig.drop(name, ready=True)
    rig.go_on(rig.supervisor(), 500)
    assert rig.engine.placed == [("a", 1), ("a", 2), ("a", 3)]
    entry = rig.journal.get("b")
    assert entry is not None
    assert (entry.state, entry.same_as) == (State.KNOWN, "a")
    assert "the same as a" in (rig.site.inbox / "b.triage.txt").read_text(encoding="utf-8")


def test_that_a_job_was_worked_before_is_not_said_of_the_next_of_its_name(rig: Rig) -> None:
    supervisor = rig.supervisor()
    note = rig.site.inbox / "another.triage.txt"
    rig.drop("tiller", ready=True)
    supervisor.turn()
    rig.drop("another", ready=True)
    rig.go_on(supervisor, 5)
    assert note.is_file()
    assert "goes after a week" in note.with_suffix(".html").read_text(encoding="utf-8")
    (rig.site.inbox / "another").mkdir()  # somebody is about to scan: triage has nothing to say yet
    rig.go_on(supervisor, 10)
    assert not note.exists()
    assert not note.with_suffix(".html").exists()
    (rig.site.inbox / "another").rmdir()
    rig.drop("another", ready=True)
    rig.go_on(supervisor, 5)
    assert "raw/another--2" in note.read_text(encoding="utf-8")
    requeue(rig.site, rig.journal, "another--2", None)
    assert not note.exists()


def test_a_note_on_what_was_worked_before_is_not_put_beside_another_job(rig: Rig) -> None:
    rig.drop("tiller")
    write_known(rig.site, "tiller", "the same as a", rig.site.raw / "tiller")
    assert not (rig.site.inbox / "tiller.triage.txt").exists()


def test_run_ends_though_a_job_waits_for_one_that_cannot_be_worked(rig: Rig) -> None:
    def no_disk(order):  # type: ignore[no-untyped-def]
        raise OSError("input/output error")

    rig.engine.behaviour["a"] = no_disk
    for name in ("a", "b"):
        rig.drop(name, ready=True)
    supervisor = rig.supervisor("run")
    for _ in range(300):
        supervisor.turn()
        rig.clock.pass_seconds(2)
        if supervisor.finished():
            break
    assert supervisor.finished()
    assert len(rig.engine.placed) == 3
    rig.engine.behaviour.clear()
    later = rig.supervisor("run")
    while not later.finished():
        later.turn()
        rig.clock.pass_seconds(2)
    assert sorted((turn.job, turn.kind) for turn in later.turns) == [("a", "done"), ("b", "known")]


def test_a_technical_fault_does_not_make_a_job_known(rig: Rig) -> None:
    rig.engine.behaviour["tiller"] = lambda order: manifest_for(order, Outcome.FAILED, "crash")
    supervisor = rig.supervisor()
    rig.drop("tiller", ready=True)
    rig.go_on(supervisor, 1000, step=20)
    rig.drop("another", ready=True)
    rig.go_on(supervisor, 5)
    assert rig.engine.placed[-1] == ("another", 1)


def test_another_scan_of_the_same_name_gets_a_name_of_its_own(rig: Rig) -> None:
    supervisor = rig.supervisor()
    rig.drop("tiller", b"first", ready=True)
    supervisor.turn()
    rig.drop("tiller", b"second", ready=True)
    rig.go_on(supervisor, 5)
    assert sorted(path.name for path in rig.site.delivered.iterdir()) == ["tiller", "tiller--2"]


def test_captures_that_change_while_worked_are_worked_anew(rig: Rig) -> None:
    def change_once(order):  # type: ignore[no-untyped-def]
        if order.attempt == 1:
            (order.job / "a.ply").write_bytes(b"written by somebody who still had it open")
        return manifest_for(order)

    rig.engine.behaviour["tiller"] = change_once
    rig.drop("tiller", ready=True)
    rig.go_on(rig.supervisor(), 130)
    assert rig.engine.placed == [("tiller", 1), ("tiller", 2)]
    entry = rig.journal.get("tiller")
    assert entry is not None
    assert read_manifest(rig.site.delivered / "tiller").content_sha256 == entry.content


def test_a_deliverable_that_is_not_as_its_manifest_is_never_published(rig: Rig) -> None:
    def spoil(order):  # type: ignore[no-untyped-def]
        manifest = manifest_for(order)
        (order.folder / "part.stl").write_bytes(b"other bytes")
        return manifest

    rig.engine.behaviour["tiller"] = spoil
    rig.drop("tiller", ready=True)
    rig.go_on(rig.supervisor(), 1000, step=20)
    assert len(rig.engine.placed) == 3
    assert not (rig.site.delivered / "tiller").exists()
    assert read_manifest(rig.site.attention / "tiller").reasons[0].code == "deliverable-differs"
    assert not (rig.site.attention / "tiller" / "part.stl").exists()


def test_jobs_wait_for_disk_and_do_not_fail(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.service.bench.shortage", lambda site, size: "no disk")
    rig.drop("tiller", ready=True)
    supervisor = rig.supervisor()
    rig.go_on(supervisor, 1000, step=20)
    assert (rig.site.inbox / "tiller" / "a.ply").is_file()
    assert "no disk" in supervisor.facts()["waiting"]["tiller"]
    monkeypatch.setattr("pipeline.service.bench.shortage", lambda site, size: "")
    rig.go_on(supervisor, 320, step=20)
    assert (rig.site.delivered / "tiller").is_dir()


def test_run_leaves_jobs_without_disk_for_the_next_time(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.service.bench.shortage", lambda site, size: "no disk")
    rig.drop("tiller", ready=True)
    supervisor = rig.supervisor("run")
    supervisor.turn()
    rig.clock.pass_seconds(2)
    supervisor.turn()
    assert supervisor.finished()


def test_run_works_whatever_the_hours_and_ends(tmp_path: Path) -> None:
    rig = new_rig(tmp_path / "site", 'hours: "19:00-06:00"')
    rig.clock.wall = rig.clock.wall.replace(hour=14)
    rig.drop("tiller")
    rig.drop("cleat", b"else", ready=True)
    supervisor = rig.supervisor("run")
    turns = 0
    while not supervisor.finished():
        supervisor.turn()
        rig.clock.pass_seconds(2)
        turns += 1
        assert turns < 100
    assert sorted(turn.job for turn in supervisor.turns) == ["cleat", "tiller"]


def test_urgent_jobs_go_first(rig: Rig) -> None:
    for name in ("a", "b", "c"):
        rig.drop(name, name.encode())
    rig.triage.verdicts["c"] = Verdict(entry="c", verdict="good", priority="high")
    rig.triage.verdicts["a"] = Verdict(entry="a", verdict="good", priority="low")
    rig.go_on(rig.supervisor(), 80)
    assert [name for name, _ in rig.engine.placed] == ["c", "b", "a"]


def test_the_inbox_may_vanish_and_come_back(rig: Rig) -> None:
    supervisor = rig.supervisor()
    rig.site.inbox.rmdir()
    rig.go_on(supervisor, 60)
    assert "cannot be read" in supervisor.facts()["problems"][0]
    rig.site.inbox.mkdir()
    rig.drop("tiller")
    rig.go_on(supervisor, 80)
    assert supervisor.facts()["problems"] == []
    assert (rig.site.delivered / "tiller").is_dir()


def test_a_look_that_raises_or_hangs_is_said_and_jobs_go_on(rig: Rig) -> None:
    def broken() -> Look:
        raise RuntimeError("what is this")

    rig.drop("tiller", ready=True)
    supervisor = rig.supervisor()
    supervisor.turn()
    supervisor.lookout._look_around = broken
    rig.go_on(supervisor, 10)
    assert "what is this" in supervisor.facts()["problems"][0]
    from concurrent.futures import Future

    supervisor.lookout._look = Future()
    rig.clock.pass_seconds(90)
    rig.journal.add("cleat", "cleat", bytes=1, priority=1, claimed="2026-01-01T00:00:00Z")
    (rig.site.raw / "cleat").mkdir()
    (rig.site.raw / "cleat" / "a.ply").write_bytes(b"x")
    supervisor.turn()
    assert any("has not answered" in problem for problem in supervisor.facts()["problems"])
    assert (rig.site.delivered / "cleat").is_dir()


def test_a_stopped_attempt_is_put_back_and_not_counted(rig: Rig) -> None:
    rig.engine.behaviour["tiller"] = lambda order: None
    rig.drop("tiller", ready=True)
    supervisor = rig.supervisor()
    supervisor.turn()
    entry = rig.journal.get("tiller")
    assert entry is not None
    assert (entry.state, entry.attempts) == (State.READY, 0)
    assert list(rig.site.work.glob("*/attempt-*")) == []


def test_stop_takes_nothing_new_and_ends(rig: Rig) -> None:
    supervisor = rig.supervisor()
    supervisor.turn()
    supervisor.stop()
    rig.drop("tiller", ready=True)
    supervisor.hint()
    rig.clock.pass_seconds(5)
    supervisor.turn()
    assert supervisor.finished()
    assert rig.engine.placed == []


def test_health_is_written_whole_for_people_and_for_prometheus(rig: Rig) -> None:
    rig.drop("tiller", ready=True)
    supervisor = rig.supervisor()
    supervisor.turn()
    rig.go_on(supervisor, 20)
    health = json.loads((rig.site.health / "health.json").read_text(encoding="utf-8"))
    assert health["jobs"] == {"accepted": 1}
    assert 'nightmill_jobs{state="accepted"} 1' in (rig.site.health / "nightmill.prom").read_text(encoding="utf-8")


def test_the_report_is_written_when_the_work_is_done_and_not_for_nothing(rig: Rig) -> None:
    supervisor = rig.supervisor()
    rig.go_on(supervisor, 60)
    assert rig.reports == []
    for name in ("a", "b"):
        rig.drop(name, name.encode(), ready=True)
    rig.go_on(supervisor, 60)
    assert rig.reports == ["2026-11-26"]
    rig.drop("c", b"c", ready=True)
    rig.go_on(supervisor, 400)
    assert rig.reports == ["2026-11-26"] * 2


def test_an_unknown_recipe_in_the_ticket_goes_to_attention(rig: Rig) -> None:
    path = rig.drop("tiller", ready=True)
    (path / "ticket.yaml").write_text("recipe: tinny\n", encoding="utf-8")
    rig.supervisor().turn()
    assert rig.engine.placed == []
    assert "tinny" in (rig.site.attention / "tiller" / "REASON.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("recipe", ["../../secret", "/etc/passwd", "a/b"])
def test_a_ticket_names_recipes_and_no_paths(rig: Rig, recipe: str) -> None:
    path = rig.drop("tiller", ready=True)
    (path / "ticket.yaml").write_text(f"recipe: {recipe}\n", encoding="utf-8")
    rig.supervisor().turn()
    assert "is not a name" in (rig.site.attention / "tiller" / "REASON.txt").read_text(encoding="utf-8")


def test_two_slots_hold_two_jobs(tmp_path: Path) -> None:
    from concurrent.futures import Future

    rig = new_rig(tmp_path / "site", "workers: 2")
    rig.engine = FakeEngine(slots=2)
    for name in ("a", "b", "c"):
        rig.drop(name, name.encode(), ready=True)
    begun: list[str] = []

    def spawn(work, name):  # type: ignore[no-untyped-def]
        from pipeline.service.spawn import at_once

        if name.startswith("job"):
            begun.append(name)
            return Future()
        return at_once(work, name)

    rig.supervisor(spawn=spawn).turn()
    assert begun == ["job a", "job b"]
