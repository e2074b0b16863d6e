"""After anything: the folders are right, the journal follows."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from service_rig import Rig

from pipeline.errors import MachineError, UsageError
from pipeline.service.journal import Entry, Journal, Overtaken, State
from pipeline.service.lock import is_served, only_one
from pipeline.service.recovery import open_journal, recover
from pipeline.service.requeue import requeue
from pipeline.service.tree import content_hash


def worked(rig: Rig) -> None:
    rig.drop("tiller", b"t", ready=True)
    rig.drop("cleat.ply", b"c")
    (rig.site.inbox / "cleat.ply.ready").touch()
    rig.supervisor().turn()


def states(journal: Journal) -> dict[str, tuple[str, str | None]]:
    return {entry.job: (str(entry.state), entry.outcome) for entry in journal.by_state(*State)}


def test_a_lost_journal_is_rebuilt_and_knows_what_was_worked(rig: Rig) -> None:
    worked(rig)
    before = states(rig.journal)
    rig.journal.close()
    rig.site.journal.unlink()
    rig.journal, _ = open_journal(rig.site, rig.clock)
    recover(rig.site, rig.journal, rig.clock)
    assert states(rig.journal) == before
    rig.drop("again", b"t", ready=True)
    rig.supervisor().turn()
    assert len(rig.engine.placed) == 2 + 1  # the fake manifests name another version, so the same is worked again


@pytest.mark.parametrize("damage", [b"not a database, but long enough to be looked at" * 100, None])
def test_a_damaged_journal_is_put_aside(rig: Rig, damage: bytes | None) -> None:
    worked(rig)
    before = states(rig.journal)
    rig.journal.close()
    data = bytearray(rig.site.journal.read_bytes())
    data[4096 : 4096 * 3] = b"\xff" * 8192
    rig.site.journal.write_bytes(damage or bytes(data))
    journal, said = open_journal(rig.site, rig.clock)
    recover(rig.site, journal, rig.clock)
    assert "damaged" in said
    assert list(rig.site.root.glob("journal.sqlite.damaged-*"))
    assert states(journal) == before


def test_a_job_moved_but_not_entered_is_taken_in(rig: Rig) -> None:
    rig.drop("tiller").rename(rig.site.raw / "tiller")
    recover(rig.site, rig.journal, rig.clock)
    rig.supervisor().turn()
    assert (rig.site.delivered / "tiller").is_dir()


def test_a_marker_that_was_moved_before_its_file_goes_back(rig: Rig) -> None:
    (rig.site.raw / "cleat").mkdir()
    (rig.site.raw / "cleat" / "cleat.ply.ready").touch()
    (rig.site.inbox / "cleat.ply").write_bytes(b"c")
    recover(rig.site, rig.journal, rig.clock)
    rig.supervisor().turn()
    assert (rig.site.delivered / "cleat").is_dir()


def test_an_attempt_cut_off_is_made_again_and_counts_as_an_interruption(rig: Rig) -> None:
    worked(rig)
    entry = rig.journal.get("tiller")
    assert entry is not None
    shutil.rmtree(rig.site.delivered / "tiller")
    rig.journal.move(entry, State.RUNNING, token=7, attempts=1, outcome=None)
    (rig.site.work / "tiller" / "attempt-7").mkdir(parents=True)
    recover(rig.site, rig.journal, rig.clock)
    entry = rig.journal.get("tiller")
    assert entry is not None
    assert (entry.state, entry.attempts, entry.interruptions) == (State.READY, 0, 1)
    assert list(rig.site.work.iterdir()) == []


def test_a_published_attempt_that_was_not_noted_is_done(rig: Rig) -> None:
    worked(rig)
    entry = rig.journal.get("tiller")
    assert entry is not None
    rig.journal.move(entry, State.RUNNING, outcome=None, finished=None)
    recover(rig.site, rig.journal, rig.clock)
    assert states(rig.journal)["tiller"] == ("done", "accepted")
    assert len(rig.engine.placed) == 2


def test_a_job_that_brings_the_machine_down_does_not_for_ever(rig: Rig) -> None:
    rig.drop("tiller", ready=True).rename(rig.site.raw / "tiller")
    rig.journal.add("tiller", "tiller", bytes=1, priority=1, claimed="2026-01-01T00:00:00Z")
    content = content_hash(rig.site.raw / "tiller")
    for _ in range(11):
        entry = rig.journal.get("tiller")
        assert entry is not None
        rig.journal.move(entry, State.RUNNING, token=entry.token + 1, content=content, recipe="x", attempts=1)
        recover(rig.site, rig.journal, rig.clock)
    rig.engine.placed.clear()
    entry = rig.journal.get("tiller")
    assert entry is not None
    rig.journal.move(entry, entry.state, recipe=str(rig.site.recipes / "tiny.yaml"))
    rig.supervisor().turn()
    assert rig.engine.placed == []
    assert "ended 11 times" in (rig.site.attention / "tiller" / "REASON.txt").read_text(encoding="utf-8")


def test_notes_about_what_was_taken_before_the_end_go(rig: Rig) -> None:
    path = rig.drop("tiller")
    rig.go_on(rig.supervisor(), 10)
    assert (rig.site.inbox / "tiller.triage.txt").is_file()
    path.rename(rig.site.raw / "tiller")
    recover(rig.site, rig.journal, rig.clock)
    assert list(rig.site.inbox.iterdir()) == []


def test_captures_that_somebody_took_out_of_raw_are_missed(rig: Rig) -> None:
    rig.journal.add("tiller", "tiller", bytes=1, priority=1, claimed="2026-01-01T00:00:00Z")
    said = recover(rig.site, rig.journal, rig.clock)
    assert "no longer" in said[0]
    assert states(rig.journal)["tiller"] == ("done", "failed")


def test_requeue_works_again_and_replaces_the_result(rig: Rig) -> None:
    worked(rig)
    (rig.site.delivered / "tiller" / "my notes.txt").write_text("mine", encoding="utf-8")
    requeue(rig.site, rig.journal, "tiller", None)
    assert (rig.site.delivered / "tiller" / "part.stl").is_file(), "the old result stays until the new one is there"
    rig.supervisor().turn()
    assert rig.engine.placed[-1] == ("tiller", 2)
    assert not (rig.site.delivered / "tiller" / "my notes.txt").exists()
    assert next(rig.site.work.glob("tiller/earlier-*/my notes.txt")).read_text(encoding="utf-8") == "mine"


def test_requeue_with_another_recipe(rig: Rig) -> None:
    worked(rig)
    other = rig.site.root.parent / "other.yaml"
    other.write_text("recipe: 1\nname: other\nstages:\n  - stage: plane-strip\n", encoding="utf-8")
    requeue(rig.site, rig.journal, "tiller", str(other))
    other.unlink()
    seen: list[str] = []
    rig.engine.behaviour["tiller"] = lambda order: seen.append(order.recipe.read_text(encoding="utf-8"))  # type: ignore[func-returns-value]
    rig.supervisor().turn()
    assert "name: other" in seen[0]


def test_requeue_refuses_what_it_cannot(rig: Rig) -> None:
    worked(rig)
    with pytest.raises(UsageError, match="Did you mean tiller"):
        requeue(rig.site, rig.journal, "tillr", None)
    requeue(rig.site, rig.journal, "tiller", None)
    with pytest.raises(UsageError, match="no result yet"):
        requeue(rig.site, rig.journal, "tiller", None)
    shutil.rmtree(rig.site.raw / "cleat")
    with pytest.raises(UsageError, match="no longer"):
        requeue(rig.site, rig.journal, "cleat", None)


def test_a_move_from_the_wrong_state_changes_nothing(rig: Rig) -> None:
    rig.journal.add("tiller", "tiller", bytes=1, priority=1, claimed="2026-01-01T00:00:00Z")
    entry = rig.journal.get("tiller")
    assert isinstance(entry, Entry)
    rig.journal.move(entry, State.READY)
    with pytest.raises(Overtaken):
        rig.journal.move(entry, State.RUNNING)
    assert states(rig.journal) == {"tiller": ("ready", None)}


def test_a_journal_on_a_network_share_is_refused(rig: Rig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.service.journal.filesystem_type", lambda place: 0xFF534D42)
    with pytest.raises(MachineError, match="network share"):
        Journal(tmp_path / "journal.sqlite")


def test_the_second_service_refuses(rig: Rig) -> None:
    assert not is_served(rig.site)
    with only_one(rig.site):
        assert is_served(rig.site)
        with pytest.raises(UsageError, match="Another nightmill"), only_one(rig.site):
            pass
    with only_one(rig.site):
        pass
