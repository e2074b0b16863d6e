"""Which night is it, what was done in it, and its report."""

from __future__ import annotations

import logging
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path

from pipeline.service.clock import Clock, timestamp
from pipeline.service.journal import Journal
from pipeline.site import Site

log = logging.getLogger("nightmill")


def night_of(moment: datetime) -> str:
    """The date under which a moment's work is reported: from noon on, that of the next morning."""
    return (moment + timedelta(hours=12)).date().isoformat()


def counts_of(journal: Journal, night: str, clock: Clock) -> dict[str, int]:
    """Number of jobs of a night by outcome."""
    noon = datetime.fromisoformat(night).replace(hour=12, tzinfo=clock.now().tzinfo)
    entries = journal.finished_since(timestamp(noon - timedelta(days=1)))
    before = timestamp(noon)
    return dict(Counter(str(entry.outcome) for entry in entries if entry.finished and entry.finished < before))


def write_report(site: Site, night: str) -> Path | None:
    """The night's report; None when it could not be written. Results do not depend on it."""
    try:
        from pipeline.report import write_night

        return write_night(site.root, night)
    except Exception as error:
        log.error("the report of %s could not be written: %r", night, error)
        return None
