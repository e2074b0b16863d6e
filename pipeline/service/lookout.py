"""The day's lane: looks at the inbox, and triage of what has come. Both run beside the loop; either may hang."""

from __future__ import annotations

import logging
import queue
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from typing import Any

from pipeline.service.clock import Clock
from pipeline.service.hints import Hints
from pipeline.service.inbox import Arrival, Look, printable
from pipeline.service.journal import Journal
from pipeline.service.notes import remove_known, write_verdict
from pipeline.service.triage import Verdict
from pipeline.service.waiting import Waiting
from pipeline.site import Site

LOOK_EVERY_S, LOOK_EVERY_WITHOUT_EVENTS_S = 60.0, 20.0
SHORTEST_GAP_S = 1.0
LOOK_HANGS_S = 60.0
_GAP_COSTS, _EVERY_COSTS = 10, 150  # looks take at most a tenth of the time when hinted at, 0.7 % of it when idle

log = logging.getLogger("nightmill")

LookAround = Callable[[], Look]
TriageLook = Callable[[list[Arrival], Callable[[Verdict], None]], None]
"""Looks at arrivals and hands on each verdict."""
Begin = Callable[[Callable[[], Any], str], Future[Any]]


class Lookout:
    """Keeps ``waiting`` true.

    Parameters
    ----------
    look_around : looks at the inbox
    triage : looks into arrivals
    begin : starts work beside the loop
    hints : file events, where they are wanted
    """

    def __init__(
        self, site: Site, journal: Journal, clock: Clock, look_around: LookAround, triage: TriageLook, begin: Begin
    ) -> None:
        self._site, self._journal, self._clock = site, journal, clock
        self._look_around, self._triage_look, self._begin = look_around, triage, begin
        self.hints: Hints | None = None
        self.hinted = True
        self.waiting = Waiting(site.settings)
        remembered = journal.triage().items()
        self.waiting.remember(
            {name: (bytes.fromhex(at), Verdict.model_validate(said)) for name, (at, said) in remembered}
        )
        self.in_triage: set[str] = set()
        """Entries that must not be taken now: triage has them."""
        self._last = Look()
        self._look: Future[Any] | None = None
        self._triage: Future[Any] | None = None
        self._verdicts: queue.SimpleQueue[tuple[Verdict, bytes]] = queue.SimpleQueue()
        self._began, self._cost = float("-inf"), 0.0

    @property
    def busy(self) -> bool:
        """Whether something is still to come of a hint, a look or triage."""
        return self.hinted or self._look is not None or self._triage is not None

    @property
    def lost(self) -> bool:
        """Whether the inbox could not be read the last time."""
        return bool(self._last.lost)

    def collect(self) -> None:
        """Take in what has come back."""
        if self._look is not None and self._look.done():
            error = self._look.exception()
            self._take_look(Look(lost=f"the inbox could not be looked at: {error!r}") if error else self._look.result())
            self._look = None
        while not self._verdicts.empty():
            verdict, signature = self._verdicts.get()
            if self.waiting.heard(verdict, signature):
                log.info("looked at: %s", verdict.sentence(), extra={"entry": verdict.entry})
        if self._triage is not None and self._triage.done():
            if self._triage.exception() is not None:
                log.error("triage failed: %r", self._triage.exception())
            self._triage, self.in_triage = None, set()

    def start(self, now: float, at_the_bench: set[str]) -> None:
        """Begin what is due."""
        if self._look is None and now >= self._next_look():
            self.hinted = False
            self._began = now
            self._look = self._begin(self._look_once, "look")
        if self._triage is None:
            batch = [arrival for arrival in self.waiting.to_look_at(now) if arrival.entry not in at_the_bench]
            if batch:
                self.in_triage = {arrival.entry for arrival in batch}
                self._triage = self._begin(partial(self._triage_batch, batch), "triage")

    def due(self, now: float) -> float:
        """Monotonic time at which something is to be begun."""
        look = self._next_look() if self._look is None else float("inf")
        triage = now + self.waiting.next_look_in(now) if self._triage is None else float("inf")
        return min(look, triage)

    def problems(self, now: float) -> list[str]:
        """What is wrong with the inbox, in words."""
        found = [self._last.lost] if self._last.lost else []
        if self._look is not None and now - self._began > LOOK_HANGS_S:
            found.append(f"the inbox has not answered for {now - self._began:.0f} s")
        return found + list(self._last.problems)

    def _next_look(self) -> float:
        blind = self.hints is None or bool(self.hints.problem)
        every = LOOK_EVERY_WITHOUT_EVENTS_S if blind else LOOK_EVERY_S
        wait = max(SHORTEST_GAP_S, _GAP_COSTS * self._cost) if self.hinted else max(every, _EVERY_COSTS * self._cost)
        return self._began + wait

    def _look_once(self) -> Look:
        if self.hints is not None:
            self.hints.ensure()
        before, found = self.waiting.entries, self._look_around()
        for arrival in found.arrivals:
            if arrival.entry not in before:
                remove_known(self._site, arrival.entry)
        return found

    def _take_look(self, found: Look) -> None:
        self._cost = self._clock.monotonic() - self._began
        if found.lost and found.lost != self._last.lost:
            log.error("%s; the looks go on", found.lost)
        elif self._last.lost and not found.lost:
            log.info("the inbox is there again")
        for problem in set(found.problems) - set(self._last.problems):
            log.warning(problem)
        before = self.waiting.entries
        self.waiting.observe(found, self._began)
        for entry in sorted(self.waiting.entries - before):
            log.info("arrived", extra={"entry": printable(entry)})
        self._last = found

    def _triage_batch(self, batch: list[Arrival]) -> None:
        signatures = {arrival.entry: arrival.seen.signature for arrival in batch}

        def heard(verdict: Verdict) -> None:
            signature = signatures[verdict.entry]
            self._verdicts.put((verdict, signature))
            try:
                self._journal.put_triage(verdict.entry, signature.hex(), verdict.model_dump(mode="json"))
                if (self._site.inbox / verdict.entry).exists():
                    write_verdict(self._site, verdict)
            except Exception as error:
                log.warning("the finding could not be written: %s", error, extra={"entry": verdict.entry})

        self._triage_look(batch, heard)
