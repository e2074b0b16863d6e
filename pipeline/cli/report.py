"""``report``: pages anew, from manifests and deliverables."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from pipeline.cli.exits import ACCEPTED, command
from pipeline.errors import UsageError
from pipeline.manifest import MANIFEST_FILE


def add_to(commands: Any) -> None:
    """Register the command."""
    report = command(commands, "report", _report, "rebuild the morning report and the jobs' pages from the manifests")
    report.add_argument("site", type=Path, metavar="SITE", help="a site, or the folder of one finished job")
    report.add_argument("--night", metavar="DATE", help="date of the morning after it (default: the last night)")


def _report(options: Any) -> int:
    from pipeline.report.job import write_job_page
    from pipeline.report.night import write_night
    from pipeline.report.site import finished_jobs

    if (options.site / MANIFEST_FILE).is_file():
        print(write_job_page(options.site))
        return ACCEPTED
    nights = finished_jobs(options.site)
    if not nights:
        raise UsageError(
            f"There is no finished job in {options.site}.", "Give a site, or the folder of a finished job."
        )
    night = _date(options.night) if options.night else max(nights)
    if night not in nights:
        raise UsageError(f"No job ended in the night to {night}.", f"The last such night is {max(nights)}.")
    (options.site / "reports").mkdir(exist_ok=True)
    for job in nights[night]:
        write_job_page(job.folder)
    print(write_night(options.site, night.isoformat(), nights=nights))
    return ACCEPTED


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text} is no date.", "Write it as in 2026-11-24.") from error
