"""Retention removes what it was told to, when it was told to, and nothing else."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from service_rig import Rig, manifest_for, new_rig

from pipeline.errors import Outcome
from pipeline.service.housekeeping import keep_house
from pipeline.service.requeue import requeue


def worked(rig: Rig) -> None:
    rig.engine.behaviour["broken"] = lambda order: manifest_for(order, Outcome.RESCAN, "x")
    rig.engine.behaviour["doubtful"] = lambda order: manifest_for(order, Outcome.REVIEW, "x")
    for name in ("good", "broken", "doubtful"):
        rig.drop(name, name.encode(), ready=True)
    rig.supervisor().turn()
    rig.journal._connection.execute("UPDATE jobs SET finished = '2026-11-25T20:00:00Z'")


def keep_for(rig: Rig, days: int) -> None:
    """A round a day."""
    for _ in range(days):
        keep_house(rig.site, rig.journal, rig.clock, set())
        rig.clock.wall += timedelta(days=1)


def raw(rig: Rig) -> list[str]:
    return sorted(path.name for path in rig.site.raw.iterdir())


def test_without_a_number_captures_are_kept_for_ever(rig: Rig) -> None:
    worked(rig)
    keep_for(rig, 30)
    rig.clock.wall += timedelta(days=5)
    keep_for(rig, 2)
    assert raw(rig) == ["broken", "doubtful", "good"]


def test_only_captures_of_accepted_jobs_go(tmp_path: Path) -> None:
    rig = new_rig(tmp_path / "site", "retention: {raw_days: 10}")
    worked(rig)
    keep_for(rig, 10)
    assert raw(rig) == ["broken", "doubtful", "good"]
    keep_for(rig, 2)
    assert raw(rig) == ["broken", "doubtful"]
    assert (rig.site.delivered / "good" / "manifest.json").is_file()


def test_captures_stay_when_the_result_has_gone(tmp_path: Path) -> None:
    rig = new_rig(tmp_path / "site", "retention: {raw_days: 10}")
    worked(rig)
    (rig.site.delivered / "good").rename(rig.site.root / "taken away")
    keep_for(rig, 20)
    assert "good" in raw(rig)


@pytest.mark.parametrize("days", [400, 36500, -3])
def test_a_clock_that_is_wrong_removes_nothing(tmp_path: Path, days: int) -> None:
    rig = new_rig(tmp_path / "site", "retention: {raw_days: 10}")
    worked(rig)
    keep_for(rig, 2)
    rig.clock.wall += timedelta(days=days)
    keep_house(rig.site, rig.journal, rig.clock, set())
    assert "good" in raw(rig)


def test_earlier_results_go_unless_somebody_added_to_them(rig: Rig) -> None:
    worked(rig)
    (rig.site.delivered / "doubtful" / "my notes.txt").write_text("mine", encoding="utf-8")
    for name in ("good", "doubtful"):
        requeue(rig.site, rig.journal, name, None)
    rig.supervisor().turn()
    earlier = sorted(rig.site.work.glob("*/earlier-*"))
    assert len(earlier) == 2
    keep_for(rig, 3)
    assert sorted(rig.site.work.glob("*/earlier-*")) == earlier
    real = rig.clock.wall
    for _ in range(30):
        keep_for(rig, 1)
    assert [path.parent.name for path in rig.site.work.glob("*/earlier-*")] == ["doubtful"] or rig.clock.wall < real


def test_reports_go_by_their_date(tmp_path: Path) -> None:
    rig = new_rig(tmp_path / "site", "retention: {reports_days: 30}")
    for name in ("2026-10-01", "2026-11-20", "assets", "2026-1-1"):
        (rig.site.reports / name).mkdir()
    keep_for(rig, 2)
    assert sorted(path.name for path in rig.site.reports.iterdir()) == ["2026-1-1", "2026-11-20", "assets"]
