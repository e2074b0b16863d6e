"""The index of a night, and the same as CSV and JSON."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
import sites

from pipeline.errors import Outcome
from pipeline.report import words
from pipeline.report.night import write_night
from pipeline.report.state import NightState

WEST = timezone(timedelta(hours=-7))


@pytest.mark.parametrize(
    ("finished", "zone", "night"),
    [
        (datetime(2026, 11, 23, 11, 59, tzinfo=UTC), UTC, "2026-11-23"),
        (datetime(2026, 11, 23, 12, 0, tzinfo=UTC), UTC, "2026-11-24"),
        (datetime(2026, 11, 24, 5, 0, tzinfo=UTC), UTC, "2026-11-24"),
        (datetime(2026, 11, 24, 5, 0, tzinfo=UTC), WEST, "2026-11-24"),
        (datetime(2026, 11, 23, 13, 0, tzinfo=UTC), WEST, "2026-11-23"),
        (datetime(2026, 12, 31, 23, 0, tzinfo=UTC), UTC, "2027-01-01"),
    ],
)
def test_an_evening_belongs_to_the_next_morning(finished: datetime, zone: timezone, night: str) -> None:
    assert words.night_of(finished, zone).isoformat() == night


def test_worst_first(site: Path) -> None:
    told = json.loads((site / "reports" / sites.NIGHT / "night.json").read_text(encoding="utf-8"))
    assert [job["outcome"] for job in told["jobs"]] == ["failed", "rescan", "review", "accepted"]
    assert told["outcomes"] == {"accepted": 1, "review": 1, "rescan": 1, "failed": 1}
    page = (site / "reports" / sites.NIGHT / "index.html").read_text(encoding="utf-8")
    places = [page.index(f'<li class="{job["outcome"]}"') for job in told["jobs"]]
    assert places == sorted(places)


def test_csv_says_the_same_as_json(site: Path) -> None:
    folder = site / "reports" / sites.NIGHT
    told = json.loads((folder / "night.json").read_text(encoding="utf-8"))["jobs"]
    rows = list(csv.DictReader(io.StringIO((folder / "night.csv").read_text("utf-8-sig"), newline="")))
    assert [row["job"] for row in rows] == [job["job"] for job in told]
    assert [row["deviation_p99_mm"] for row in rows] == [
        "" if job["deviation_p99_mm"] is None else str(job["deviation_p99_mm"]) for job in told
    ]
    assert rows[1]["part"] == told[1]["part"] == sites.NASTY


def test_no_spreadsheet_computes_what_people_wrote(site: Path) -> None:
    rows = csv.DictReader(
        io.StringIO((site / "reports" / sites.NIGHT / "night.csv").read_text("utf-8-sig"), newline="")
    )
    for row in rows:
        assert not any(value.startswith(("=", "+", "-", "@")) for value in row.values())
        if row["outcome"] == "rescan":
            assert row["client"] == "'=1+1"


def test_a_night_of_300_jobs_stays_small(tmp_path: Path) -> None:
    for k in range(300):
        outcome = list(Outcome)[k % 4]
        told = sites.manifest(f"job-{k:03d}", outcome, minutes=k, part="mooring knob with a long name, left side")
        sites.put(tmp_path, told)
    index = write_night(tmp_path, sites.NIGHT, UTC)
    assert index.read_text(encoding="utf-8").count('<li class="') == 300
    assert index.stat().st_size < 2_000_000


def test_what_waited_is_kept_for_the_next_time(tmp_path: Path) -> None:
    sites.put(tmp_path, sites.manifest("knob"))
    state = NightState(
        at=datetime(2026, 11, 24, 6, tzinfo=UTC), waiting=("cleat: still being copied",), disk_free_bytes=5 * 10**9,
        disk_bytes=10**11, processors=2, memory_bytes=2**34,
    )  # fmt: skip
    first = write_night(tmp_path, sites.NIGHT, UTC, state).read_bytes()
    assert b"cleat: still being copied" in first
    assert write_night(tmp_path, sites.NIGHT, UTC).read_bytes() == first


def test_a_broken_manifest_costs_its_own_job_only(tmp_path: Path) -> None:
    sites.put(tmp_path, sites.manifest("good"))
    (tmp_path / "delivered/broken").mkdir()
    (tmp_path / "delivered/broken/manifest.json").write_text("{", encoding="utf-8")
    assert "knob good" in write_night(tmp_path, sites.NIGHT, UTC).read_text(encoding="utf-8")


def test_an_empty_night_is_said(tmp_path: Path) -> None:
    assert "No job ended in this night" in write_night(tmp_path, sites.NIGHT, UTC).read_text(encoding="utf-8")


def test_the_night_before_is_linked(tmp_path: Path) -> None:
    sites.put(tmp_path, sites.manifest("old", minutes=-3 * 24 * 60))
    sites.put(tmp_path, sites.manifest("new"))
    assert 'href="../2026-11-21/index.html"' in write_night(tmp_path, sites.NIGHT, UTC).read_text(encoding="utf-8")


def test_a_job_without_its_page_says_so_and_is_linked_all_the_same(tmp_path: Path) -> None:
    folder = sites.put(tmp_path, sites.manifest("knob"), sites.knob())
    text = write_night(tmp_path, sites.NIGHT, UTC).read_text(encoding="utf-8")
    assert "The page and delivery note could not be written" in text
    assert "../../delivered/knob/manifest.json" in text
    (folder / "index.html").touch()
    text = write_night(tmp_path, sites.NIGHT, UTC).read_text(encoding="utf-8")
    assert "could not be written" not in text
    assert "../../delivered/knob/index.html" in text
