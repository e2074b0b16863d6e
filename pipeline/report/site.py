"""Where things lie: a finished job inside a site, or on its own."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from datetime import date, tzinfo
from importlib.resources import files
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.manifest import MANIFEST_FILE, Manifest, read_manifest
from pipeline.report import words
from pipeline.storage import write_whole

RESULTS = ("delivered", "attention")
REPORTS = "reports"
LIBRARY = "plotly.min.js"
PAGE_FILE = "index.html"
"""Of a job; written after all else that a person reads of it."""


@dataclass(frozen=True)
class Place:
    """Where a job's page looks for what it shares with others.

    Attributes
    ----------
    folder : of the finished job, where the pages are written
    home : where that folder will lie when it is published
    site : the site it lies in, or None
    zone : time zone of the times on the pages; None is the machine's own
    """

    folder: Path
    home: Path
    site: Path | None = None
    zone: tzinfo | None = None

    @property
    def shared(self) -> Path:
        """The folder that holds the library for turning surfaces: once a site, or once beside the results."""
        return self.site / REPORTS / "assets" if self.site else self.home.parent / "report-assets"

    @property
    def shared_address(self) -> str:
        return "../../reports/assets" if self.site else "../report-assets"

    def night(self, manifest: Manifest) -> tuple[str, str] | None:
        """Address and words of the night the job belongs to."""
        if self.site is None:
            return None
        night = words.night_of(manifest.finished, self.zone)
        return words.link("..", "..", REPORTS, night.isoformat(), "index.html"), words.day(night)


def place_of(folder: Path, zone: tzinfo | None = None, home: Path | None = None) -> Place:
    """The place of a finished job's folder; ``home`` when it has yet to be moved there."""
    home = (home or folder).absolute()
    in_site = home.parent.name in RESULTS and (home.parent.parent / REPORTS).is_dir()
    return Place(folder.absolute(), home, home.parent.parent if in_site else None, zone)


def page_missing(folder: Path) -> str:
    """What there is to say of a delivered job that has no page; empty when it has one."""
    if (folder / PAGE_FILE).is_file():
        return ""
    return f"page and delivery note could not be written, see work.log; once that is mended: nightmill report {folder}"


def put_library(place: Place) -> None:
    """Put the library for turning surfaces where the pages look for it, unless it is there."""
    source = Path(str(files("plotly").joinpath("package_data", LIBRARY)))
    target = place.shared / LIBRARY
    if not target.is_file() or target.stat().st_size != source.stat().st_size:
        place.shared.mkdir(parents=True, exist_ok=True)
        write_whole(target, source.read_bytes())


@dataclass(frozen=True)
class Finished:
    """A finished job of a site."""

    manifest: Manifest
    folder: Path

    @property
    def where(self) -> tuple[str, str]:
        return self.folder.parent.name, self.folder.name


def finished_jobs(site: Path, zone: tzinfo | None = None) -> dict[date, list[Finished]]:
    """The finished jobs of a site by night; in each worst first, then by the time they ended and by name.

    A manifest that cannot be read is left out: it is the fault of one job, not of the night.
    """
    nights: dict[date, list[Finished]] = {}
    for results in RESULTS:
        for file in sorted((site / results).glob(f"*/{MANIFEST_FILE}")):
            if file.parent.name.startswith("."):
                continue
            with contextlib.suppress(UsageError):
                manifest = read_manifest(file.parent)
                night = words.night_of(manifest.finished, zone)
                nights.setdefault(night, []).append(Finished(manifest, file.parent))
    for jobs in nights.values():
        jobs.sort(key=lambda job: (-job.manifest.outcome.severity, job.manifest.finished, job.manifest.job))
    return nights
