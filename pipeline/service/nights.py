"""Which night is it, and what was done in it."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta

from pipeline.service.clock import Clock, timestamp
from pipeline.service.journal import Journal


def night_of(moment: datetime) -> str:
    """The date under which a moment's work is reported: from noon on, that of the next morning."""
    return (moment + timedelta(hours=12)).date().isoformat()


def counts_of(journal: Journal, night: str, clock: Clock) -> dict[str, int]:
    """Number of jobs of a night by outcome."""
    noon = datetime.fromisoformat(night).replace(hour=12, tzinfo=clock.now().tzinfo)
    entries = journal.finished_since(timestamp(noon - timedelta(days=1)))
    before = timestamp(noon)
    return dict(Counter(str(entry.outcome) for entry in entries if entry.finished and entry.finished < before))
