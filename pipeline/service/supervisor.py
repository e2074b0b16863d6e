"""The loop of the service. It decides and never works itself: whatever may block or crash runs beside it."""

from __future__ import annotations

import logging
import os
import platform
import queue
import sqlite3
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

from pipeline.formats import CAPTURE_SUFFIXES
from pipeline.report.now import write_now
from pipeline.service.bench import Bench, Turn
from pipeline.service.chores import Chores, Report
from pipeline.service.clock import Clock, SystemClock, timestamp
from pipeline.service.engines import Engine
from pipeline.service.health import tell_systemd, write_health
from pipeline.service.hints import Hints
from pipeline.service.inbox import Known, look, printable
from pipeline.service.journal import Entry, Journal, State
from pipeline.service.lookout import LookAround, Lookout, TriageLook
from pipeline.service.nights import night_of, write_report
from pipeline.service.notify import Outbox
from pipeline.service.spawn import Spawn, in_thread
from pipeline.service.status import status_of
from pipeline.site import Site

HEALTH_EVERY_S = 15.0
SHORTEST_SLEEP_S, LONGEST_SLEEP_S = 0.02, 15.0
CLEAN_UP_S = 10.0
LONGEST_SILENCE_S = 20.0
"""Whoever sits before `run` is told of a wait of so long or more."""
MOST_FAULTS = 3
MOST_FAILURES, AFTER_FAILURE_S = 60, 10.0
_NEVER = float("inf")

log = logging.getLogger("nightmill")


@dataclass(slots=True)
class Step:
    """Where a running job is."""

    job: str
    since: float
    step: str = "start"
    place: int = 0
    of: int = 0


class Supervisor:
    """Keeps every slot at work while the site is open, and the inbox looked after at all hours.

    Parameters
    ----------
    triage : looks into arrivals
    mode : ``watch`` goes on until it is stopped; ``run`` ends when the inbox is worked off, whatever the hours
    on_turn, on_step : told of every finished turn of a job and of every step of an attempt
    on_wait : told when there is nothing to do but to wait for an arrival: which, why, and for how many seconds
    """

    def __init__(
        self,
        site: Site,
        journal: Journal,
        engine: Engine,
        triage: TriageLook,
        *,
        mode: Literal["run", "watch"],
        clock: Clock | None = None,
        spawn: Spawn = in_thread,
        outbox: Outbox | None = None,
        on_turn: Callable[[Turn], None] = lambda turn: None,
        on_step: Callable[[str, str, int, int], None] = lambda job, step, place, of: None,
        on_wait: Callable[[str, str, float], None] = lambda entry, text, seconds: None,
        look_around: LookAround | None = None,
        report: Report = write_report,
    ) -> None:
        self.site, self.journal, self.engine, self.mode = site, journal, engine, mode
        self.clock = clock or SystemClock()
        self._spawn, self._on_turn, self._on_step, self._on_wait = spawn, on_turn, on_step, on_wait
        self._wake: queue.SimpleQueue[None] = queue.SimpleQueue()
        self.bench = Bench(site, journal, engine, self.clock, self._tell)
        look_around = look_around or partial(look, site.inbox, CAPTURE_SUFFIXES)
        self.lookout = Lookout(site, journal, self.clock, look_around, triage, self._begin)
        if mode == "watch":
            self.lookout.hints = Hints(site.inbox, self.hint)
        outbox = outbox or Outbox(site, journal, self.clock)
        entries = lambda: self.lookout.waiting.entries  # noqa: E731
        patience = {} if mode == "watch" else {"report_every_s": 0.0}
        self.chores = Chores(site, journal, self.clock, self.bench, outbox, self._begin, entries, report, **patience)
        self.turns: list[Turn] = []
        """What was finished, in `run`."""
        self.stopping = False
        self._steps: dict[str, Step] = {}
        self._slots: dict[str, tuple[Known | None, Future[Any]]] = {}
        self._cooling: dict[str, tuple[float, str]] = {}
        self._faults: dict[str, int] = {}
        self._twins: set[str] = set()
        self._waits_told: dict[str, str] = {}
        self._health: Future[Any] | None = None
        self._health_next = 0.0
        self._shown: dict[str, Any] = {}
        self._grace_until = _NEVER
        self._kill_asked = False
        self._failures = 0
        self._started = timestamp(self.clock.now())

    # From other threads and signal handlers: a SimpleQueue is safe to use there, a lock or an Event is not.

    def hint(self) -> None:
        """Something happened in the inbox."""
        if not self.lookout.hinted:
            self.lookout.hinted = True
            self._wake.put(None)

    def stop(self) -> None:
        """Take nothing new; running jobs may end within the grace time. A second call ends them now."""
        self._kill_asked = self.stopping
        self.stopping = True
        self._wake.put(None)

    def run(self) -> list[Turn]:
        """Work until there is nothing left to do, or until stopped; what was finished, in ``run``."""
        tell_systemd("READY=1")
        try:
            while self._guarded_turn():
                tell_systemd("WATCHDOG=1")
            if self.mode == "run" and not self.stopping:
                self.chores.tell_night(night_of(self.clock.now()))
                self.chores.deliver()
        finally:
            tell_systemd("STOPPING=1")
            if self.lookout.hints is not None:
                self.lookout.hints.stop()
            self._try_health({**self.facts(), "state": "ended"})
        return self.turns

    def _guarded_turn(self) -> bool:
        """One turn and the sleep after it; False when the loop should end. A full disk does not end it."""
        try:
            if self.finished():
                return False
            self._sleep(self.turn())
            self._failures = 0
        except (OSError, sqlite3.Error) as error:
            self._failures += 1
            log.error("the site cannot be worked now: %s", error)
            if self._failures >= MOST_FAILURES:
                raise
            self._sleep(AFTER_FAILURE_S)
        return True

    def turn(self) -> float:
        """Do everything that is due; seconds until something may be due again."""
        now = self.clock.monotonic()
        self._collect(now)
        if not self.stopping:
            self.lookout.start(now, set(self._slots))
            self.lookout.collect()
            self._fill_slots(now)
            self._tell_waits(now)
        self.chores.start(now, idle=self._idle(now), ending=self.stopping)
        self._write_health(now)
        if self.stopping:
            self._end(now)
        self._collect(now)
        return self._delay(now)

    def finished(self) -> bool:
        """Whether the loop should end."""
        now = self.clock.monotonic()
        if self.stopping:
            return not (self._slots or self.chores.busy) or now > self._grace_until + CLEAN_UP_S
        if self.mode == "watch" or self._slots or self.lookout.busy or self.chores.busy:
            return False
        cooling = any(until < _NEVER for job, (until, _) in self._cooling.items() if job not in self._twins)
        return not cooling and self._idle(now)

    def _idle(self, now: float) -> bool:
        """No job is being worked, and none can be unless somebody does something."""
        if self._slots:
            return False
        return not self._open() or not (self._queued() or self.lookout.waiting.hopeful(now))

    def _open(self) -> bool:
        return not self.stopping and (self.mode == "run" or self.site.settings.open_at(self.clock.now()))

    def _delay(self, now: float) -> float:
        due = [now + LONGEST_SLEEP_S, self._grace_until, *(until for until, _ in self._cooling.values())]
        if not self.stopping:
            due += [self.lookout.due(now), self.chores.due()]
        if self._open() and len(self._slots) < self.engine.slots:
            due.append(self.lookout.waiting.due)
        return min(due) - now

    def _sleep(self, seconds: float) -> None:
        try:
            self._wake.get(timeout=max(SHORTEST_SLEEP_S, seconds))
            while True:
                self._wake.get_nowait()
        except queue.Empty:
            return

    def _begin(self, work: Callable[[], Any], name: str) -> Future[Any]:
        future = self._spawn(work, name)
        future.add_done_callback(lambda _: self._wake.put(None))
        return future

    def _fill_slots(self, now: float) -> None:
        while len(self._slots) < self.engine.slots and self._open():
            entry = next(iter(self._queued()), None)
            if entry is not None:
                self._slots[entry.job] = (None, self._begin(partial(self.bench.work, entry), f"job {entry.job}"))
            else:
                found = self.lookout.waiting.next(now, self.lookout.in_triage | self._slots.keys())
                if found is None:
                    return
                known, priority, decision = found
                take = partial(self.bench.take, known.arrival, priority, decision.reason)
                self._slots[known.arrival.entry] = (known, self._begin(take, f"job {known.arrival.job}"))
            self._collect(now)

    def _queued(self) -> list[Entry]:
        busy = self._slots.keys() | self._cooling.keys() | self.bench.at_work
        entries = self.journal.by_state(State.CLAIMED, State.READY, at_most=len(busy) + 1)
        return [entry for entry in entries if entry.job not in busy]

    def _collect(self, now: float) -> None:
        self.lookout.collect()
        self.chores.collect()
        self._cooling = {job: value for job, value in self._cooling.items() if value[0] > now}
        for name, (known, future) in list(self._slots.items()):
            if future.done():
                del self._slots[name]
                self._take_turn(name, known, future)

    def _take_turn(self, name: str, known: Known | None, future: Future[Any]) -> None:
        error = future.exception()
        if error is not None:
            log.error("a defect at the bench: %r", error, exc_info=error, extra={"job": printable(name)})
            turn = Turn("left" if known else "later", name, f"a defect: {error!r}", 60.0, fault="error")
        else:
            turn = future.result()
        self._steps.pop(turn.job, None)
        level = logging.WARNING if turn.kind in ("later", "left") else logging.INFO
        log.log(level, "%s: %s", turn.kind, turn.text, extra={"job": turn.job})
        until = self.clock.monotonic() + self._wait_after(turn)
        if turn.kind == "left" and known is not None:
            self.lookout.waiting.hold(known, until, turn.text)
            self.lookout.hinted = True
        if turn.kind in ("later", "stopped"):
            self._cooling[turn.job] = (until, turn.text)
        if turn.fault == "twin":
            self._twins.add(turn.job)
        if turn.kind in ("done", "known"):
            for twin in self._twins:  # what they wait for may have been this
                self._cooling.pop(twin, None)
            self._twins.clear()
            self._faults.pop(turn.job, None)
            self.chores.report_wanted = True
            if self.mode == "run":
                self.turns.append(turn)
        self._on_turn(turn)

    def _wait_after(self, turn: Turn) -> float:
        """`watch` goes on trying; `run` leaves what keeps failing, or has no room, for the next time."""
        if turn.fault == "error":
            self.chores.mend_wanted = True
            self._faults[turn.job] = self._faults.get(turn.job, 0) + 1
        if self.mode == "run" and (turn.fault == "disk" or self._faults.get(turn.job, 0) >= MOST_FAULTS):
            return _NEVER
        return max(turn.wait_s, 1.0)

    def _tell(self, job: str, step: str, place: int, of: int) -> None:
        old = self._steps.get(job)
        self._steps[job] = Step(job, old.since if old else self.clock.monotonic(), step, place, of)
        self._on_step(job, step, place, of)

    def _tell_waits(self, now: float) -> None:
        if self.mode == "watch" or self._slots or self.lookout.busy:
            return  # nobody sits before a service
        for entry, (text, seconds) in self.lookout.waiting.long_waits(now, LONGEST_SILENCE_S).items():
            if self._waits_told.get(entry) != text:
                self._waits_told[entry] = text
                self._on_wait(printable(entry), text, seconds)

    def left(self) -> dict[str, str]:
        """What still lies in the inbox, and why it was not taken."""
        reasons = self.lookout.waiting.reasons(self.clock.monotonic(), at_most=200)
        return {printable(entry): why for entry, why in reasons.items()}

    def _end(self, now: float) -> None:
        if self._grace_until == _NEVER:
            self._grace_until = now + 60 * self.site.settings.grace_minutes
            log.info("stopping; running jobs may go on for %g minutes", self.site.settings.grace_minutes)
        if self._kill_asked or now >= self._grace_until:
            self._grace_until = min(self._grace_until, now)
            self.engine.stop()

    def facts(self) -> dict[str, Any]:
        """The state of the service, as in ``health.json``."""
        now, wall = self.clock.monotonic(), self.clock.now()
        hints = self.lookout.hints
        cooling = [f"{job}: {text}" for job, (_, text) in self._cooling.items()]
        return {
            "state": "stopping" if self.stopping else "working",
            "host": platform.node(),
            "pid": os.getpid(),
            "started": self._started,
            "at": timestamp(wall),
            "at_unix": int(wall.timestamp()),
            "open": self._open(),
            "jobs": self.journal.counts(),
            "running": [
                {"job": s.job, "step": s.step, "place": s.place, "of": s.of, "seconds": round(now - s.since)}
                for s in list(self._steps.values())
            ],
            "arrivals": len(self.lookout.waiting),
            "waiting": self.left(),
            "events": "no file events wanted" if hints is None else hints.problem or "watching",
            "problems": [*self.lookout.problems(now), *cooling, *self.chores.problems],
        }

    def _write_health(self, now: float) -> None:
        if now >= self._health_next and (self._health is None or self._health.done()):
            self._health_next = now + HEALTH_EVERY_S
            self._health = self._begin(partial(self._try_health, self.facts()), "health")

    def _try_health(self, facts: dict[str, Any]) -> None:
        try:
            write_health(self.site, facts)
            changing = {name: value for name, value in facts.items() if name not in ("at", "at_unix")}
            if changing != self._shown:  # the page is for people, and costs more
                self._shown = changing
                write_now(self.site.root, status_of(self.site))
        except (OSError, sqlite3.Error) as error:
            log.warning("health could not be written: %s", error)
