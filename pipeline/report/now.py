"""What an operator needs by day: how the site stands now, and what a quick look found of one arrival."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from pipeline.errors import Outcome
from pipeline.report import words
from pipeline.report.page import page
from pipeline.storage import write_whole

NOW_FILE = "now.html"
Kind = Literal["good", "doubt", "rescan", "failing", "unreadable"]
SHAPES: dict[str, Outcome] = {
    "good": Outcome.ACCEPTED,
    "doubt": Outcome.REVIEW,
    "rescan": Outcome.RESCAN,
    "failing": Outcome.FAILED,
    "unreadable": Outcome.FAILED,
}
"""What a quick look says is told by the shapes of the outcomes it would lead to, with words of its own."""


def triage_page(
    entry: str, kind: Kind, title: str, counted: str, findings: Sequence[tuple[str, str]], until: str
) -> bytes:
    """The page that lies beside an arrival in the inbox.

    Parameters
    ----------
    entry : name of the arrival
    kind : what the quick look says of it
    title : the same in words
    counted : captures and points, in words; empty when unknown
    findings : what was found, and what to do about it (may be empty)
    until : what becomes of the arrival, and when the page goes
    """
    facts = {
        "entry": entry,
        "shape": str(SHAPES[kind]),
        "title": title,
        "counted": counted,
        "findings": findings,
        "until": until,
    }
    return page("triage.html", look=facts)


def write_now(site: Path, status: Mapping[str, Any]) -> Path:
    """Write ``SITE/now.html``.

    Parameters
    ----------
    site : the site's folder
    status : as ``nightmill status --json`` tells it: ``running``, ``queue``, ``inbox``, ``others``, ``problems``,
        ``night``
    """
    facts = {
        "hours": status.get("hours", ""),
        "service": status.get("service"),
        "problems": status.get("problems", ()),
        "running": [_running(one) for one in status.get("running", ())],
        "queue": status.get("queue", ()),
        "inbox": [_arrival(site, one) for one in status.get("inbox", ())],
        "others": status.get("others", ()),
        "night": [one | {"address": _address(site, one["job"])} for one in status.get("night", ())],
        "repeated": status.get("repeated", ()),
    }
    write_whole(site / NOW_FILE, page("now.html", now=facts))
    return site / NOW_FILE


def _running(one: Mapping[str, Any]) -> dict[str, Any]:
    done = f"{one['step']} ({one['place'] + 1} of {one['of']})"
    return {"job": one["job"], "text": f"{done}, {words.duration(one['seconds'])}"}


def _arrival(site: Path, one: Mapping[str, Any]) -> dict[str, Any]:
    note = site / "inbox" / f"{one['entry']}.triage.html"
    return {
        "entry": one["entry"],
        "text": one["text"],
        "size": f"{words.plural(one['files'], 'file')}, {words.size_of_file(one['bytes'])}",
        "address": words.link("inbox", note.name) if note.is_file() else None,
    }


def _address(site: Path, job: str) -> str | None:
    for results in ("delivered", "attention"):
        if (site / results / job / "index.html").is_file():
            return words.link(results, job, "index.html")
    return None
