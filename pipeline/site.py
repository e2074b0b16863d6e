"""``site.yaml``: how a site works. A site is a folder with an inbox, results, reports and this file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from pipeline.document import WrittenByPeople, load, validate
from pipeline.errors import UsageError

SITE_FILE = "site.yaml"
FOLDERS = ("inbox", "raw", "work", "delivered", "attention", "reports")

Days = Annotated[float, Field(gt=0, le=36500)]
Mode = Annotated[str, Field(pattern=r"^0?[0-7]{3,4}$", examples=["0664", "2775"])]
Web = Annotated[str, Field(pattern=r"^https?://[^\s]+$", examples=["https://example.org/hook"])]


def _a_span(hours: str) -> str:
    if hours != "always" and len(set(hours.split("-"))) == 1:
        raise ValueError("hours begin and end at the same time; write always")
    return hours


_CLOCK = "([01][0-9]|2[0-3]):[0-5][0-9]"
Hours = Annotated[
    str,
    Field(pattern=f"^(always|{_CLOCK}-{_CLOCK})$", examples=["19:00-06:00", "always"]),
    AfterValidator(_a_span),
]


class Route(WrittenByPeople):
    """Which recipe the jobs of a name get when their ticket names none."""

    match: str = Field(min_length=1)
    """Pattern of the job's name: ``*`` any characters, ``?`` one, ``[abc]`` one of these; capitals count."""

    recipe: str
    """Name of a recipe, or a file relative to the site."""


class Retention(WrittenByPeople):
    """What is removed after how many days; without a number nothing is."""

    raw_days: Days | None = None
    """Captures in ``raw`` of jobs that were accepted. Captures of other jobs are never removed."""

    work_days: Days = 14
    """Earlier results of jobs that were worked again, and what broken attempts left, in ``work``."""

    reports_days: Days | None = None
    """Morning reports."""


class Results(WrittenByPeople):
    """Who may read and change the results. Captures keep the permissions they came with."""

    group: str | None = None
    """Group of delivered files, so that colleagues can take them away."""

    file_mode: Mode | None = None
    """Permissions of files, octal, in quotes: ``"0664"``."""

    folder_mode: Mode | None = None
    """Permissions of folders, octal, in quotes: ``"2775"``."""


class Email(WrittenByPeople):
    """A mail server and the people who are told."""

    to: tuple[str, ...] = Field(min_length=1)
    """Addresses."""

    sender: str
    """Address the mails come from."""

    server: str
    """Name of the SMTP server."""

    port: int = Field(default=587, gt=0, lt=65536)
    """Port of the SMTP server."""

    security: Literal["starttls", "tls", "none"] = "starttls"
    """How the connection is protected."""

    user: str | None = None
    """User name, where the server wants one."""

    password_file: str | None = None
    """File that holds the password and nothing else; relative to the site."""


class Notification(WrittenByPeople):
    """Who is told, and how. Nobody is, unless this says so."""

    email: Email | None = None
    """Tell by e-mail."""

    webhook: Web | None = None
    """Tell by a JSON object sent with POST to this address."""

    about: tuple[Literal["attention", "night"], ...] = ("attention", "night")
    """``attention``: each job that needs a person; ``night``: one summary when the night's work is done."""


class Settings(WrittenByPeople):
    """The keys of ``site.yaml``; every one but ``site`` may be left out."""

    site: Literal[1]
    """Version of this file's format."""

    inbox: str = "inbox"
    """Where captures are dropped: a folder of the site, or another one on the same file system."""

    hours: Hours = "always"
    """When jobs are worked, local time: ``"19:00-06:00"``, or ``always``. Arrivals are looked at all day."""

    settle_s: float = Field(default=60, ge=0, le=86400)
    """A job without a ``.ready`` marker or checksum list is complete when nothing changed for this long."""

    unreadable_after_s: float = Field(default=900, ge=0, le=864000)
    """A job whose captures cannot be read may still be on its way for this long; after that it gets attention."""

    workers: int = Field(default=1, ge=1, le=64)
    """Jobs worked at the same time; they share the processors and the memory."""

    memory_gib: float | None = Field(default=None, gt=0.4)
    """Memory one job may use; without it nine tenths of the machine's, shared by the workers."""

    minutes: float = Field(default=360, gt=0, le=14400)
    """Time one attempt at a job may take."""

    max_points: int | None = Field(default=None, gt=0)
    """Points allowed in one capture."""

    retry_minutes: tuple[Annotated[float, Field(ge=0)], ...] = (1, 5)
    """Waits before a job is tried again after a crash, a timeout, a lack of memory or disk. Bad input never is."""

    grace_minutes: float = Field(default=10, ge=0, le=1440)
    """How long running jobs may go on when the service is told to stop; after that they are put back."""

    recipe: str = "replica"
    """Recipe of jobs whose ticket names none and that no route matches."""

    routes: tuple[Route, ...] = Field(default=(), max_length=200)
    """Recipes by job name; the first that matches counts."""

    min_free_gb: float = Field(default=5, ge=0)
    """No job is taken unless this much disk is free, and six times the size of its captures."""

    retention: Retention = Retention()
    """What is removed, and when."""

    results: Results = Results()
    """Permissions of results."""

    notification: Notification | None = None
    """Who is told."""

    journal: str = "journal.sqlite"
    """Queue and history. Must lie on a local disk: name one here when the site lies on a network share."""

    engine: Literal["embedded"] = "embedded"
    """Where jobs run: ``embedded`` is this machine."""

    def open_at(self, moment: datetime) -> bool:
        """Whether jobs may be started at this local time."""
        if self.hours == "always":
            return True
        start, end = (time.fromisoformat(text) for text in self.hours.split("-"))
        clock = moment.time()
        return start <= clock < end if start < end else clock >= start or clock < end


@dataclass(frozen=True, slots=True)
class Site:
    """A site's folder and its settings."""

    root: Path
    settings: Settings

    @property
    def inbox(self) -> Path:
        return self.root / self.settings.inbox

    @property
    def raw(self) -> Path:
        return self.root / "raw"

    @property
    def work(self) -> Path:
        return self.root / "work"

    @property
    def delivered(self) -> Path:
        return self.root / "delivered"

    @property
    def attention(self) -> Path:
        return self.root / "attention"

    @property
    def reports(self) -> Path:
        return self.root / "reports"

    @property
    def health(self) -> Path:
        return self.root / "health"

    @property
    def recipes(self) -> Path:
        """The site's own recipes; they go before shipped ones of the same name."""
        return self.root / "recipes"

    @property
    def journal(self) -> Path:
        return self.root / self.settings.journal

    def result_of(self, job: str) -> Path | None:
        """Where the finished job lies, or None."""
        for place in (self.delivered, self.attention):
            if (place / job / "manifest.json").is_file():
                return place / job
        return None


def load_settings(path: Path) -> Settings:
    """Settings from their file. Raises ConfigurationError with every mistake and its line."""
    return validate(load(path), Settings)


def open_site(root: Path) -> Site:
    """A site from its folder.

    Raises
    ------
    UsageError
        When the folder is no site.
    ConfigurationError
        When its ``site.yaml`` has mistakes.
    """
    file = root / SITE_FILE
    if not file.is_file():
        raise UsageError(f"{root} is not a site: it has no {SITE_FILE}.", f"Make one with: nightmill init {root}")
    return Site(root.resolve(), load_settings(file))
