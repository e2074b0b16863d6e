"""What has to be done beside the jobs, one at a time: mending, reports, retention, messages."""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future
from datetime import timedelta
from typing import Any

from pipeline.service.bench import Bench
from pipeline.service.clock import Clock
from pipeline.service.housekeeping import keep_house
from pipeline.service.journal import Journal, State
from pipeline.service.lookout import Begin
from pipeline.service.nights import counts_of, night_of
from pipeline.service.notify import Outbox
from pipeline.service.recovery import adopt, resolve
from pipeline.site import Site

ROUND_EVERY_S = 600.0
REPORT_EVERY_S = 300.0
_TOLD = "last night told"

log = logging.getLogger("nightmill")


Report = Callable[[Site, str], None]
"""Writes the report of a night; does not raise."""


class Chores:
    """Runs the chore that is most urgent; failures are logged, and the next round tries again."""

    def __init__(
        self,
        site: Site,
        journal: Journal,
        clock: Clock,
        bench: Bench,
        outbox: Outbox,
        begin: Begin,
        entries: Callable[[], set[str]],
        report: Report,
        report_every_s: float = REPORT_EVERY_S,
    ) -> None:
        self._site, self._journal, self._clock, self._bench = site, journal, clock, bench
        self._outbox, self._begin, self._entries = outbox, begin, entries
        self._write_report = report
        self._report_every_s = report_every_s
        self._idle = False
        self._current: Future[Any] | None = None
        self._round_next = 0.0
        self._report_next = 0.0
        self.mend_wanted = False
        self.report_wanted = False
        self.problems: list[str] = []

    @property
    def busy(self) -> bool:
        """Whether something is under way, or must be before the end."""
        return self._current is not None or self.mend_wanted or self.report_wanted

    def collect(self) -> None:
        """Take in what has come back."""
        if self._current is not None and self._current.done():
            if self._current.exception() is not None:
                log.error("a chore failed: %r", self._current.exception())
            self._current = None

    def start(self, now: float, *, idle: bool, ending: bool) -> None:
        """Begin what is due. ``idle``: no job is or can be worked now; ``ending``: the loop will not go on."""
        self._idle = idle
        if self._current is not None:
            return
        if self.mend_wanted:
            self.mend_wanted = False
            self._current = self._begin(self.mend, "mend")
        elif self.report_wanted and idle and (ending or now >= self._report_next):
            self.report_wanted = False
            self._report_next = now + self._report_every_s
            self._current = self._begin(self._report, "report")
        elif ending:
            return
        elif now >= self._round_next:
            self._round_next = now + ROUND_EVERY_S
            self._current = self._begin(self._round, "round")
        elif self._outbox.due():
            self._current = self._begin(self.deliver, "messages")

    def due(self) -> float:
        """Monotonic time at which something is to be begun for no other reason than time."""
        if self._current is not None:
            return float("inf")
        return min(self._round_next, self._report_next if self.report_wanted else float("inf"))

    def mend(self) -> None:
        """After a fault: jobs that lie in ``raw`` unknown, and attempts whose end could not be noted."""
        with self._bench.entering:
            adopt(self._site, self._journal, self._clock)
        for entry in self._journal.by_state(State.RUNNING):
            if entry.job not in self._bench.at_work:
                resolve(self._site, self._journal, entry, interrupted=False)

    def tell_night(self, night: str) -> None:
        """Tell that a night's work is done: once, and only if something was done in it."""
        counts = counts_of(self._journal, night, self._clock)
        if counts and self._journal.note(_TOLD) != night:
            self._outbox.about_night(counts, self._site.reports / night / "index.html")
            self._journal.put_note(_TOLD, night)

    def deliver(self) -> None:
        """Send what waits, once."""
        self.problems = self._outbox.deliver()
        for problem in self.problems:
            log.warning(problem)

    def _report(self) -> None:
        self._write_report(self._site, night_of(self._clock.now()))

    def _round(self) -> None:
        self._tell_nights()
        entries = self._entries()
        for text in keep_house(self._site, self._journal, self._clock, entries):
            log.info(text)
        self._journal.drop_triage([entry for entry in self._journal.triage() if entry not in entries])

    def _tell_nights(self) -> None:
        """A night is over when the site's hours are; where they never are, at noon."""
        now = self._clock.now()
        if not self._idle:
            return
        if self._site.settings.hours == "always":
            self.tell_night(night_of(now - timedelta(days=1)))
        elif not self._site.settings.open_at(now):
            self.tell_night(night_of(now))
