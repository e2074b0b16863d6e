"""The index of a night: worst first, with what to do; the same as CSV, as JSON, and as a contact sheet."""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections import Counter
from collections.abc import Mapping
from datetime import date, tzinfo
from pathlib import Path
from typing import Any

from pipeline.errors import Outcome
from pipeline.manifest import MANIFEST_FILE, Manifest
from pipeline.report import account, words
from pipeline.report.page import page
from pipeline.report.pictures import THUMB_FILE
from pipeline.report.sheet import contact_sheet
from pipeline.report.site import PAGE_FILE, REPORTS, Finished, finished_jobs, page_missing
from pipeline.report.state import NightState, read_state, write_state
from pipeline.storage import write_whole

Nights = Mapping[date, list[Finished]]

THUMBS = "thumbs"
SHEET_FILE = "contact-sheet.jpg"
COLUMNS = (
    "job", "part", "client", "operator", "recipe", "outcome", "reason_code", "reason", "next_action", "started",
    "finished", "seconds", "cpu_seconds", "peak_mib", "captures", "points", "triangles", "watertight",
    "deviation_rms_mm", "deviation_p99_mm", "unmeasured_percent", "folder",
)  # fmt: skip
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A cell of text that begins with one of these is computed by spreadsheets; it gets an apostrophe before it."""
NEXT = {Outcome.ACCEPTED: "Send it out.", Outcome.REVIEW: "Look at it.", Outcome.RESCAN: "Scan it again."}


def write_night(
    site: Path, night: str, zone: tzinfo | None = None, state: NightState | None = None, nights: Nights | None = None
) -> Path:
    """Write ``SITE/reports/DATE/``: ``index.html``, ``night.csv``, ``night.json``, thumbnails, contact sheet.

    Parameters
    ----------
    site : the site's folder
    night : date of the morning after the night, as in 2026-11-24; work that ends after noon belongs to the next
    zone : time zone of the times; None is the machine's own
    state : what waits and how the machine stands now; kept beside the report. Without it, what was kept before
        is shown, so that a rebuilt report is the same bytes
    nights : jobs by night, when they have been read already

    Returns
    -------
    The index.
    """
    morning = date.fromisoformat(night)
    nights = finished_jobs(site, zone) if nights is None else nights
    jobs = nights.get(morning, [])
    folder = site / REPORTS / night
    folder.mkdir(parents=True, exist_ok=True)
    if state is not None:
        write_state(folder, state)
    thumbs = _copy_thumbs(folder, jobs)
    rows = [row_of(job) for job in jobs]
    write_whole(folder / "night.csv", as_csv(rows))
    write_whole(folder / "night.json", (json.dumps(_account(night, jobs, rows), indent=1) + "\n").encode())
    cells = [
        (j.manifest.part, j.manifest.outcome, folder / thumbs[k] if k in thumbs else None) for k, j in enumerate(jobs)
    ]
    write_whole(folder / SHEET_FILE, contact_sheet(f"Night to {words.day(morning)}", cells))
    facts = {
        "words": words.day(morning),
        "tally": _tally(jobs),
        "jobs": [_entry(job, thumbs.get(k), zone) for k, job in enumerate(jobs)],
        "summary": _summary(jobs),
        "machine": _machine(jobs, read_state(folder), zone),
        "waiting": _waiting(read_state(folder)),
        "before": _night_before(morning, nights),
        "operators": sorted({job.manifest.operator for job in jobs if job.manifest.operator}),
    }
    write_whole(folder / "index.html", page("night.html", scripts=("night.js",), night=facts))
    return folder / "index.html"


def row_of(job: Finished) -> dict[str, Any]:
    """A job as a row of ``night.csv`` and ``night.json``."""
    manifest = job.manifest
    first = manifest.reasons[0] if manifest.reasons else None
    measured = {
        "deviation_rms_mm": account.measured(manifest, "deviation-check", "rms_mm"),
        "deviation_p99_mm": account.measured(manifest, "deviation-check", "p99_mm"),
        "unmeasured_percent": account.measured(manifest, "deviation-check", "unmeasured_percent"),
    }
    return {
        "job": manifest.job,
        "part": manifest.part,
        "client": manifest.client,
        "operator": manifest.operator,
        "recipe": manifest.recipe.name,
        "outcome": str(manifest.outcome),
        "reason_code": first.code if first else None,
        "reason": first.text if first else None,
        "next_action": next_action(manifest),
        "started": f"{manifest.started:%Y-%m-%dT%H:%M:%SZ}",
        "finished": f"{manifest.finished:%Y-%m-%dT%H:%M:%SZ}",
        "seconds": (manifest.finished - manifest.started).total_seconds(),
        "cpu_seconds": round(sum(stage.cpu_seconds for stage in manifest.stages), 1),
        "peak_mib": max((stage.peak_mib for stage in manifest.stages), default=None),
        "captures": len(manifest.captures),
        "points": sum(capture.points for capture in manifest.captures),
        "triangles": manifest.deliverables[0].triangles if manifest.deliverables else None,
        "watertight": manifest.deliverables[0].watertight if manifest.deliverables else None,
        **{name: None if value is None else round(value, 4) for name, value in measured.items()},
        "folder": "/".join(job.where),
    }


def next_action(manifest: Manifest) -> str:
    """The first thing to do about a job."""
    first = manifest.reasons[0].remedy if manifest.reasons else ""
    return first or NEXT.get(manifest.outcome, "Look at its page.")


def as_csv(rows: list[dict[str, Any]]) -> bytes:
    """Rows as CSV (RFC 4180) in UTF-8 with a byte order mark, so that spreadsheets read every script."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({name: _cell(value) for name, value in row.items()} for row in rows)
    return text.getvalue().encode("utf-8-sig")


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(FORMULA):
        return f"'{value}"
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value


def _account(night: str, jobs: list[Finished], rows: list[dict[str, Any]]) -> dict[str, Any]:
    counted = Counter(str(job.manifest.outcome) for job in jobs)
    return {"night": night, "outcomes": {str(o): counted[str(o)] for o in Outcome}, "jobs": rows}


def _copy_thumbs(folder: Path, jobs: list[Finished]) -> dict[int, str]:
    """Copies of the jobs' thumbnails, so that the report's folder can be moved and read on its own."""
    shutil.rmtree(folder / THUMBS, ignore_errors=True)
    copied: dict[int, str] = {}
    for k, job in enumerate(jobs):
        source = job.folder / THUMB_FILE
        if source.is_file():
            (folder / THUMBS).mkdir(exist_ok=True)
            copied[k] = f"{THUMBS}/{k + 1:04d}.webp"
            write_whole(folder / copied[k], source.read_bytes())
    return copied


def _tally(jobs: list[Finished]) -> list[dict[str, Any]]:
    counted = Counter(job.manifest.outcome for job in jobs)
    return [{"outcome": str(outcome), "count": counted[outcome]} for outcome in reversed(Outcome)]


def _summary(jobs: list[Finished]) -> str:
    if not jobs:
        return "No job ended in this night."
    counted = Counter(job.manifest.outcome for job in jobs)
    people = len(jobs) - counted[Outcome.ACCEPTED]
    said = f"{words.plural(len(jobs), 'job')}. "
    if people == 0:
        return said + "All accepted: everything can go out."
    return said + f"{people} need{'s' if people == 1 else ''} a person; they come first."


def _entry(job: Finished, thumb: str | None, zone: tzinfo | None) -> dict[str, Any]:
    manifest = job.manifest
    first = manifest.reasons[0] if manifest.reasons else None
    triangles = manifest.deliverables[0].triangles if manifest.deliverables else None
    p99 = account.measured(manifest, "deviation-check", "p99_mm")
    shown = PAGE_FILE if (job.folder / PAGE_FILE).is_file() else MANIFEST_FILE
    return {
        "part": manifest.part,
        "job": manifest.job,
        "client": manifest.client,
        "operator": manifest.operator,
        "outcome": str(manifest.outcome),
        "severity": manifest.outcome.severity,
        "reason": first.text if first else None,
        "more": len(manifest.reasons) - 1,
        "action": next_action(manifest),
        "address": words.link("..", "..", *job.where, shown),
        "missing": page_missing(job.folder) if manifest.deliverables else "",
        "thumb": thumb,
        "finished": words.clock(manifest.finished, zone),
        "finished_key": int(manifest.finished.timestamp()),
        "took": words.duration((manifest.finished - manifest.started).total_seconds()),
        "triangles": f"{triangles:,} triangles" if triangles else "",
        "deviation": f"99 % within {words.number(p99, 'mm')}" if p99 is not None else "",
    }


def _machine(jobs: list[Finished], state: NightState | None, zone: tzinfo | None) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    if jobs:
        stages = [stage for job in jobs for stage in job.manifest.stages]
        seconds = sum(stage.cpu_seconds for stage in stages)
        written = sum(record.bytes for job in jobs for record in job.manifest.deliverables)
        first = min(job.manifest.started for job in jobs)
        last = max(job.manifest.finished for job in jobs)
        rows += [
            ("Worked", f"{words.clock(first, zone)} to {words.clock(last, zone)}"),
            ("Processor time", words.duration(seconds)),
            ("Most memory of one job", words.size_of_file(round(max((s.peak_mib for s in stages), default=0) * 2**20))),
            ("Deliverables", words.size_of_file(written)),
            ("Machine", ", ".join(sorted({job.manifest.host for job in jobs}))),
        ]
    if state is not None:
        disk = f"{words.size_of_file(state.disk_free_bytes)} of {words.size_of_file(state.disk_bytes)} free"
        machine = f"{words.plural(state.processors, 'processor')}, {words.size_of_file(state.memory_bytes)} of memory"
        rows += [("Disk", disk), ("Has", machine), ("As of", words.moment(state.at, zone))]
    return rows


def _waiting(state: NightState | None) -> dict[str, Any]:
    if state is None:
        return {"known": False, "entries": (), "problems": ()}
    return {"known": True, "entries": state.waiting, "problems": state.problems}


def _night_before(morning: date, nights: Nights) -> dict[str, str] | None:
    """The night before this one in which a job ended."""
    earlier = sorted(day for day in nights if day < morning)
    if not earlier:
        return None
    return {"address": words.link("..", earlier[-1].isoformat(), "index.html"), "words": words.day(earlier[-1])}
