"""Which night is it, and its report."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from pathlib import Path

from pipeline.site import Site

log = logging.getLogger("nightmill")


def night_of(moment: datetime) -> str:
    """The date under which a moment's report stands: from noon on, that of the next morning."""
    return (moment + timedelta(hours=12)).date().isoformat()


def write_report(site: Site, night: str) -> Path | None:
    """The night's report; None when it could not be written. Results do not depend on it."""
    try:
        from pipeline.report import write_night

        return write_night(site.root, night)
    except Exception as error:
        log.error("the report of %s could not be written: %r", night, error)
        return None
