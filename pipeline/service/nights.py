"""Which night is it, what was done in it, and its report."""

from __future__ import annotations

import logging
import sys
import tempfile
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path

from pipeline.service.child import run_child
from pipeline.service.clock import Clock, timestamp
from pipeline.service.journal import Journal
from pipeline.service.limits import Allowance
from pipeline.service.publish import set_permissions
from pipeline.site import Site

MINUTES = 15.0

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


def write_report(site: Site, night: str) -> None:
    """Write the night's report in a process of its own. Results do not depend on it: failures are logged."""
    allowance = Allowance.of_this_machine().limited(gib=None, minutes=MINUTES, threads=1)
    with tempfile.TemporaryDirectory(prefix="nightmill-report-") as folder:
        file = Path(folder) / "report.log"
        ended = run_child(
            [sys.executable, "-m", "pipeline", "write-night", str(site.root), night],
            environment=allowance.environment(),
            seconds=allowance.seconds,
            log=file,
            listen=lambda line: None,
        )
        said = file.read_text(encoding="utf-8", errors="replace").strip() if file.is_file() else ""
    if ended.how != "itself" or ended.status != 0:
        log.error("the report of %s could not be written (%s %d): %s", night, ended.how, ended.status, said[-500:])
    elif (site.reports / night).is_dir():
        set_permissions(site.reports / night, site.settings.results)
