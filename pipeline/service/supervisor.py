"""The loop of the service. It decides and never works itself: whatever may block or crash runs beside it."""

from __future__ import annotations

import logging
import os
import platform
import queue
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal

from pipeline.errors import Outcome
from pipeline.formats import CAPTURE_SUFFIXES
from pipeline.service.bench import Bench, Turn
from pipeline.service.clock import Clock, SystemClock, timestamp
from pipeline.service.engines import Engine
from pipeline.service.health import tell_systemd, write_health
from pipeline.service.hints import Hints
from pipeline.service.housekeeping import keep_house
from pipeline.service.inbox import Arrival, Known, Look, look, printable
from pipeline.service.journal import Entry, Journal, State
from pipeline.service.nights import night_of, write_report
from pipeline.service.notes import remove_note, write_known, write_verdict
from pipeline.service.notify import Outbox
from pipeline.service.recovery import adopt, resolve
from pipeline.service.spawn import Spawn, in_thread
from pipeline.service.triage import Verdict
from pipeline.site import Site

LOOK_EVERY_S, LOOK_EVERY_WITHOUT_EVENTS_S, LOOK_AGAIN_S = 60.0, 20.0, 5.0
LOOK_HANGS_S = 60.0
HEALTH_EVERY_S = 15.0
CHORES_EVERY_S = 3600.0
LONGEST_WAIT_S = 15.0
CLEAN_UP_S = 10.0
MOST_FAULTS = 3

log = logging.getLogger("nightmill")

LookAround = Callable[[list[Arrival], Callable[[Verdict], None]], None]
"""Triage: looks at arrivals and hands on each verdict."""


@dataclass(slots=True)
class Step:
    """Where a running job is."""

    job: str
    since: float
    step: str = "start"
    place: int = 0
    of: int = 0


@dataclass(slots=True)
class Tally:
    """What was finished since the service began, or since the last report."""

    turns: list[Turn] = field(default_factory=list)

    def counts(self) -> dict[str, int]:
        found = [turn.manifest.outcome for turn in self.turns if turn.manifest is not None]
        return {str(outcome): found.count(outcome) for outcome in Outcome if outcome in found}


class Supervisor:
    """Watches, triages, and keeps every slot at work.

    Parameters
    ----------
    mode : ``watch`` goes on until it is stopped; ``run`` ends when the inbox is worked off, whatever the hours
    triage : looks at arrivals
    on_turn : told of every finished turn of a job
    """

    def __init__(
        self,
        site: Site,
        journal: Journal,
        engine: Engine,
        triage: LookAround,
        *,
        mode: Literal["run", "watch"],
        clock: Clock | None = None,
        spawn: Spawn = in_thread,
        outbox: Outbox | None = None,
        on_turn: Callable[[Turn], None] = lambda turn: None,
        on_step: Callable[[str, str, int, int], None] = lambda job, step, place, of: None,
        look_around: Callable[[], Look] | None = None,
    ) -> None:
        from pipeline.service.waiting import Waiting

        self.site, self.journal, self.engine, self.mode = site, journal, engine, mode
        self.clock = clock or SystemClock()
        self.spawn, self.triage, self.on_turn, self.on_step = spawn, triage, on_turn, on_step
        self.outbox = outbox or Outbox(site, journal, self.clock)
        self.bench = Bench(site, journal, engine, self.clock, self._tell)
        self.waiting = Waiting(site.settings)
        self.hints = Hints(site.inbox, self.hint) if mode == "watch" else None
        self.look_around = look_around or (lambda: look(site.inbox, CAPTURE_SUFFIXES))
        self.wake: queue.SimpleQueue[None] = queue.SimpleQueue()
        self.tally = Tally()
        self.night = Tally()
        self.stopping = False
        self.steps: dict[str, Step] = {}
        self.started = timestamp(self.clock.now())
        self._verdicts: queue.SimpleQueue[tuple[Verdict, bytes]] = queue.SimpleQueue()
        self._hinted = True
        self._last_look = Look()
        self._look: Future[Any] | None = None
        self._look_began = self._look_next = self._look_cost = 0.0
        self._triage: Future[Any] | None = None
        self._looking_at: set[str] = set()
        self._slots: dict[str, tuple[Known | None, Future[Any]]] = {}
        self._cooling: dict[str, tuple[float, str]] = {}
        self._faults: dict[str, int] = {}
        self._chore: Future[Any] | None = None
        self._health: Future[Any] | None = None
        self._health_next = 0.0
        self._house_next = 0.0
        self._mend = False
        self._grace_until = float("inf")
        self._kill_asked = False
        self._chore_problems: list[str] = []
        remembered = journal.triage().items()
        self.waiting.remember(
            {name: (bytes.fromhex(at), Verdict.model_validate(said)) for name, (at, said) in remembered}
        )

    # -- from other threads and signal handlers ------------------------------------------------------------------

    def hint(self) -> None:
        """Something happened in the inbox."""
        if not self._hinted:
            self._hinted = True
            self.wake.put(None)

    def stop(self) -> None:
        """Take nothing new; running jobs may end within the grace time. A second call ends them now."""
        if self.stopping:
            self._kill_asked = True
        self.stopping = True
        self.wake.put(None)

    def _tell(self, job: str, step: str, place: int, of: int) -> None:
        now = self.clock.monotonic()
        old = self.steps.get(job)
        self.steps[job] = Step(job, old.since if old else now, step, place, of)
        self.on_step(job, step, place, of)

    # -- the loop ------------------------------------------------------------------------------------------------

    def run(self) -> Tally:
        """Work until there is nothing left to do, or until stopped."""
        tell_systemd("READY=1")
        try:
            while not self.finished():
                delay = self.turn()
                self._sleep(delay)
                tell_systemd("WATCHDOG=1")
        finally:
            tell_systemd("STOPPING=1")
            if self.hints is not None:
                self.hints.stop()
            self._write_health(final=True)
        return self.tally

    def _sleep(self, seconds: float) -> None:
        try:
            self.wake.get(timeout=max(0.01, seconds))
            while True:
                self.wake.get_nowait()
        except queue.Empty:
            return

    def turn(self) -> float:
        """Do everything that is due; seconds until something may be due again."""
        now = self.clock.monotonic()
        self._collect(now)
        self._start_look(now)
        self._start_triage(now)
        self._fill_slots(now)
        self._chores(now)
        self._end(now)
        self._collect(now)
        return self._delay(now)

    def finished(self) -> bool:
        """Whether the loop should end."""
        if self._slots:
            return self.stopping and self.clock.monotonic() > self._grace_until + CLEAN_UP_S
        if self.stopping:
            return True
        if self.mode == "watch" or self._hinted or self._look or self._triage or self._chore or self._mend:
            return False
        now = self.clock.monotonic()
        cooling = any(until < float("inf") for until, _ in self._cooling.values())
        return not (cooling or self._queued() or self.waiting.hopeful(now) or self.night.turns)

    def _delay(self, now: float) -> float:
        due = [now + LONGEST_WAIT_S, self._look_next, now + self.waiting.next_due(now), self._grace_until]
        due += [until for until, _ in self._cooling.values()]
        return max(0.0, min(due) - now)

    # -- what came back ------------------------------------------------------------------------------------------

    def _collect(self, now: float) -> None:
        if self._look is not None and self._look.done():
            self._take_look(self._look)
            self._look = None
        while not self._verdicts.empty():
            self._take_verdict(*self._verdicts.get())
        if self._triage is not None and self._triage.done():
            if self._triage.exception() is not None:
                log.error("triage failed: %s", self._triage.exception())
            self._triage, self._looking_at = None, set()
        for name, (known, future) in list(self._slots.items()):
            if future.done():
                del self._slots[name]
                self.steps.pop(name, None)
                self._take_turn(name, known, future, now)
        if self._chore is not None and self._chore.done():
            if self._chore.exception() is not None:
                log.error("a chore failed: %s", self._chore.exception())
            self._chore = None
        self._cooling = {job: value for job, value in self._cooling.items() if value[0] > now}

    def _take_look(self, future: Future[Any]) -> None:
        now = self.clock.monotonic()
        self._look_cost = now - self._look_began
        found: Look = Look(lost=str(future.exception())) if future.exception() else future.result()
        if found.lost and found.lost != self._last_look.lost:
            log.error("%s; the looks go on", found.lost)
        if self._last_look.lost and not found.lost:
            log.info("the inbox is there again")
        for problem in set(found.problems) - set(self._last_look.problems):
            log.warning(problem)
        self._last_look = found
        before = self.waiting.entries
        self.waiting.observe(found, self._look_began)
        for entry in self.waiting.entries - before:
            log.info("arrived", extra={"entry": printable(entry)})

    def _take_verdict(self, verdict: Verdict, signature: bytes) -> None:
        if self.waiting.heard(verdict, signature):
            log.info("looked at: %s", verdict.sentence(), extra={"entry": printable(verdict.entry)})

    def _take_turn(self, name: str, known: Known | None, future: Future[Any], now: float) -> None:
        if future.exception() is not None:
            log.error("a defect at the bench: %r", future.exception(), extra={"job": name})
            turn = Turn("later" if known is None else "left", name, repr(future.exception()), 60.0)
        else:
            turn = future.result()
        level = logging.WARNING if turn.kind in ("later", "left") else logging.INFO
        log.log(level, "%s: %s", turn.kind, turn.text, extra={"job": turn.job})
        wait_s = self._wait_after(turn)
        if turn.kind == "left" and known is not None:
            self.waiting.hold(known, now + wait_s, turn.text)
        if turn.kind == "later":
            self._cooling[turn.job] = (now + wait_s, turn.text)
        if turn.kind in ("done", "known"):
            self._faults.pop(turn.job, None)
            self.tally.turns.append(turn)
            self.night.turns.append(turn)
            if self.mode == "watch":
                self.tally.turns.clear()  # months of them
        self.on_turn(turn)

    def _wait_after(self, turn: Turn) -> float:
        """`watch` goes on trying; `run` leaves what keeps failing, or has no room, for the next time."""
        self._mend = self._mend or bool(turn.fault)
        faults = self._faults[turn.job] = self._faults.get(turn.job, 0) + (turn.fault == "error")
        if self.mode == "run" and (turn.fault == "disk" or faults >= MOST_FAULTS):
            return float("inf")
        return max(turn.wait_s, 1.0)

    # -- what is begun -------------------------------------------------------------------------------------------

    def _start_look(self, now: float) -> None:
        if self._look is not None or self.stopping:
            return
        if not self._hinted and now < self._look_next:
            return
        if now < self._look_began + max(1.0, 10 * self._look_cost) and self._look_began:
            return
        self._hinted = False
        self._look_began = now
        blind = self.hints is None or bool(self.hints.problem)
        every = LOOK_EVERY_WITHOUT_EVENTS_S if blind else LOOK_EVERY_S
        self._look_next = now + max(every, 150 * self._look_cost)
        self._look = self._begin(self._look_once, "look")

    def _look_once(self) -> Look:
        if self.hints is not None:
            self.hints.ensure()
        return self.look_around()

    def _start_triage(self, now: float) -> None:
        if self._triage is not None or self.stopping:
            return
        batch = [arrival for arrival in self.waiting.to_look_at(now) if arrival.entry not in self._slots]
        if not batch:
            return
        self._looking_at = {arrival.entry for arrival in batch}
        self._triage = self._begin(partial(self._triage_batch, batch), "triage")

    def _triage_batch(self, batch: list[Arrival]) -> None:
        signatures = {arrival.entry: arrival.seen.signature for arrival in batch}

        def heard(verdict: Verdict) -> None:
            signature = signatures[verdict.entry]
            self._verdicts.put((verdict, signature))
            self.wake.put(None)
            self.journal.put_triage(verdict.entry, signature.hex(), verdict.model_dump(mode="json"))
            if (self.site.inbox / verdict.entry).exists():
                write_verdict(self.site, verdict)

        self.triage(batch, heard)

    def _fill_slots(self, now: float) -> None:
        if self.stopping or not (self.mode == "run" or self.site.settings.open_at(self.clock.now())):
            return
        while len(self._slots) < self.engine.slots:
            entry = next(iter(self._queued()), None)
            if entry is not None:
                self._slots[entry.job] = (None, self._begin(partial(self.bench.work, entry), f"job {entry.job}"))
            else:
                found = self.waiting.next(now, self._looking_at)
                if found is None:
                    return
                known, priority, decision = found
                take = partial(self._take_and_note, known.arrival, priority, decision.reason)
                self._slots[known.arrival.entry] = (known, self._begin(take, f"job {known.arrival.job}"))
            self._collect(self.clock.monotonic())

    def _take_and_note(self, arrival: Arrival, priority: int, rejection: Any) -> Turn:
        turn = self.bench.take(arrival, priority, rejection)
        if turn.kind != "left":
            remove_note(self.site, arrival.entry)
        if turn.kind == "known":
            write_known(self.site, arrival.entry, f"{turn.text}. Its captures were put to {self.site.raw / turn.job}.")
        return turn

    def _queued(self) -> list[Entry]:
        busy = self._slots.keys() | self._cooling.keys() | self.bench.at_work
        entries = self.journal.by_state(State.CLAIMED, State.READY, at_most=len(busy) + 1)
        return [entry for entry in entries if entry.job not in busy]

    def _begin(self, work: Callable[[], Any], name: str) -> Future[Any]:
        future = self.spawn(work, name)
        future.add_done_callback(lambda _: self.wake.put(None))
        return future

    # -- chores --------------------------------------------------------------------------------------------------

    def _chores(self, now: float) -> None:
        if now >= self._health_next and (self._health is None or self._health.done()):
            self._health_next = now + HEALTH_EVERY_S
            facts = self.facts()
            self._health = self._begin(partial(self._try_health, facts), "health")
        if self._chore is not None:
            return
        if self._mend:
            self._mend = False
            self._chore = self._begin(self.mend, "mend")
        elif self._worked_off(now):
            night, self.night = self.night, Tally()
            self._chore = self._begin(partial(self._close_night, night), "report")
        elif now >= self._house_next and not self.stopping:
            self._house_next = now + CHORES_EVERY_S
            self._chore = self._begin(self._keep_house, "housekeeping")
        elif self._outbox_due(now):
            self._chore = self._begin(self._deliver, "outbox")

    def _worked_off(self, now: float) -> bool:
        """The night is over: something was finished, and nothing is under way or can be taken at once."""
        if not self.night.turns or self._slots:
            return False
        if self.stopping or not (self.mode == "run" or self.site.settings.open_at(self.clock.now())):
            return True
        return not self._queued() and not self.waiting.hopeful(now)

    def _close_night(self, night: Tally) -> None:
        report = write_report(self.site, night_of(self.clock.now()))
        self.outbox.about_night(night.counts(), str(report))

    def _keep_house(self) -> None:
        for text in keep_house(self.site, self.journal, self.clock, self.waiting.entries):
            log.info(text)
        gone = [entry for entry in self.journal.triage() if entry not in self.waiting.entries]
        self.journal.drop_triage(gone)

    def _outbox_due(self, now: float) -> bool:
        return self.site.settings.notification is not None and self.outbox.due()

    def _deliver(self) -> None:
        self._chore_problems = self.outbox.deliver()
        for problem in self._chore_problems:
            log.warning(problem)

    def mend(self) -> None:
        """After a fault: jobs that lie in ``raw`` unknown, and attempts whose end could not be noted."""
        with self.bench.entering:
            adopt(self.site, self.journal, self.clock)
        for entry in self.journal.by_state(State.RUNNING):
            if entry.job not in self.bench.at_work:
                resolve(self.site, self.journal, entry, interrupted=False)

    def _end(self, now: float) -> None:
        if not self.stopping:
            return
        if self._grace_until == float("inf"):
            self._grace_until = now + 60 * self.site.settings.grace_minutes
            log.info("stopping; running jobs may go on for %g minutes", self.site.settings.grace_minutes)
        if self._kill_asked or now >= self._grace_until:
            self._grace_until = min(self._grace_until, now)
            self.engine.stop()

    # -- what others may know ------------------------------------------------------------------------------------

    def problems(self) -> list[str]:
        """What keeps the service from its work, in words."""
        now = self.clock.monotonic()
        found = [self._last_look.lost] if self._last_look.lost else []
        if self._look is not None and now - self._look_began > LOOK_HANGS_S:
            found.append(f"the inbox has not answered for {now - self._look_began:.0f} s")
        found += self._last_look.problems
        found += [f"{job}: {text}" for job, (_, text) in self._cooling.items()]
        return found + self._chore_problems

    def facts(self) -> dict[str, Any]:
        """The state of the service, as in ``health.json``."""
        now, wall = self.clock.monotonic(), self.clock.now()
        return {
            "state": "stopping" if self.stopping else "working",
            "host": platform.node(),
            "pid": os.getpid(),
            "started": self.started,
            "at": timestamp(wall),
            "at_unix": int(wall.timestamp()),
            "open": self.mode == "run" or self.site.settings.open_at(wall),
            "jobs": self.journal.counts(),
            "running": [
                {"job": s.job, "step": s.step, "place": s.place, "of": s.of, "seconds": round(now - s.since)}
                for s in list(self.steps.values())
            ],
            "arrivals": len(self.waiting),
            "waiting": {printable(e): text for e, (_, text, _) in list(self.waiting.reasons(now).items())[:200]},
            "events": self.hints.problem or "watching" if self.hints else "not watching",
            "problems": self.problems(),
        }

    def _try_health(self, facts: dict[str, Any]) -> None:
        try:
            write_health(self.site, facts)
        except OSError as error:
            log.warning("health could not be written: %s", error)

    def _write_health(self, *, final: bool) -> None:
        facts = self.facts()
        if final:
            facts["state"] = "ended"
        self._try_health(facts)
