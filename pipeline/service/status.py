"""What there is to say of a site: from its journal, its inbox, and what its service last wrote."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from pipeline.report.site import page_missing
from pipeline.service.clock import timestamp
from pipeline.service.health import read_health
from pipeline.service.inbox import Arrival, Look, look, printable
from pipeline.service.journal import Entry, Journal, State
from pipeline.service.lock import is_served
from pipeline.service.triage import Verdict
from pipeline.site import Site


def status_of(site: Site) -> dict[str, Any]:
    """Queue, running jobs, arrivals with what triage said, and what ended since yesterday noon."""
    from pipeline.formats import CAPTURE_SUFFIXES

    served = is_served(site)
    health = read_health(site) if served else {}
    found = look(site.inbox, CAPTURE_SUFFIXES)
    journal = Journal(site.journal) if site.journal.is_file() else None
    verdicts = journal.triage() if journal else {}
    queued = journal.by_state(State.CLAIMED, State.READY) if journal else []
    running = health.get("running", [])
    return {
        "site": str(site.root),
        "hours": site.settings.hours,
        "service": {name: health.get(name) for name in ("pid", "host", "started", "at", "state")} if health else None,
        "problems": _problems(found, health),
        "running": running,
        "queue": [{"job": entry.job, "text": _queued(entry)} for entry in queued],
        "inbox": [
            {
                "entry": printable(arrival.entry),
                "files": arrival.seen.files,
                "bytes": arrival.seen.size,
                "waiting": health.get("waiting", {}).get(printable(arrival.entry)),
                "text": _arrival_text(arrival, verdicts, health),
            }
            for arrival in sorted(found.arrivals, key=lambda arrival: arrival.entry)
        ],
        "others": list(found.others),
        "night": [_finished(site, entry) for entry in journal.finished_since(_yesterday_noon())] if journal else [],
        "repeated": _repeated(journal) if journal else [],
        "jobs": journal.counts() if journal else {},
    }


def waiting_lines(status: dict[str, Any]) -> dict[str, list[str]]:
    """What waits in the queue and what lies in the inbox, a line for each, by where it is."""
    arrivals = [f"{arrival['entry']}: {arrival['text']}" for arrival in status["inbox"]]
    return {
        "queue": [f"{queued['job']}: {queued['text']}" for queued in status["queue"]],
        "inbox": [*arrivals, *(f"{name}: no capture; it was left where it lies" for name in status["others"])],
    }


def _problems(found: Look, health: dict[str, Any]) -> list[str]:
    own = [found.lost] if found.lost else []
    return list(dict.fromkeys([*own, *found.problems, *health.get("problems", [])]))


def _queued(entry: Entry) -> str:
    tried = f", after {entry.attempts} failed attempts" if entry.attempts else ""
    return f"waits to be worked{tried}"


def _arrival_text(arrival: Arrival, verdicts: dict[str, tuple[str, dict[str, Any]]], health: dict[str, Any]) -> str:
    entry, parts = arrival.entry, []
    if entry in verdicts and verdicts[entry][0] == arrival.seen.signature.hex():
        parts.append(Verdict.model_validate(verdicts[entry][1]).sentence())
    waiting = health.get("waiting", {}).get(printable(entry))
    if waiting:
        parts.append(waiting)
    return "; ".join(parts) or ("not looked at yet" if arrival.seen.files else "nothing in it yet")


def _finished(site: Site, entry: Entry) -> dict[str, Any]:
    delivered = site.delivered / entry.job
    missing = page_missing(delivered) if delivered.is_dir() else ""
    text = "; ".join(filter(None, (entry.text, missing))) or None
    return {"job": entry.job, "outcome": entry.outcome, "text": text, "finished": entry.finished}


def _repeated(journal: Journal) -> list[dict[str, str]]:
    """Jobs dropped since yesterday noon that had been worked before."""
    since = _yesterday_noon()
    return [
        {"job": entry.job, "text": entry.known_as} for entry in journal.by_state(State.KNOWN) if entry.claimed >= since
    ]


def _yesterday_noon() -> str:
    """Start of the night that is the last one, or under way."""
    now = datetime.now().astimezone()
    noon = now.replace(hour=12, minute=0, second=0, microsecond=0)
    return timestamp(noon if now >= noon + timedelta(hours=6) else noon - timedelta(days=1))
