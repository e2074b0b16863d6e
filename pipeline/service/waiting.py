"""The inbox as a queue: which arrival may be taken next, which should be looked at, and why the others wait."""

from __future__ import annotations

import heapq
from collections import deque
from itertools import islice

from pipeline.service.inbox import Arrival, Known, Look, Settler
from pipeline.service.settle import LOOK_AFTER_S, Decision, decide, may_look
from pipeline.service.triage import BATCH_BYTES, BATCH_ENTRIES, Verdict
from pipeline.site import Settings

PRIORITIES = {"low": 0, "normal": 1, "high": 2}
_NEVER = float("inf")


class Waiting:
    """Arrivals with what is known of them. Times are monotonic seconds."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._settler = Settler()
        self._verdicts: dict[str, tuple[bytes, Verdict]] = {}
        self._held: dict[str, tuple[float, str]] = {}
        self._takeable: deque[tuple[Known, Decision]] = deque()
        self._stale = True
        self._due = 0.0

    def __len__(self) -> int:
        return len(self._settler.known)

    @property
    def entries(self) -> set[str]:
        return set(self._settler.known)

    @property
    def size(self) -> int:
        return sum(known.arrival.seen.size for known in self._settler.known.values())

    def observe(self, look: Look, began: float) -> None:
        """Take in a look at the inbox. One that failed changes nothing: what was there is believed to be there."""
        if look.lost:
            return
        self._settler.observe(look.arrivals, began)
        known = self._settler.known
        self._verdicts = {entry: value for entry, value in self._verdicts.items() if entry in known}
        self._held = {entry: value for entry, value in self._held.items() if entry in known}
        self._stale = True

    def heard(self, verdict: Verdict, signature: bytes) -> bool:
        """Take in what triage said of an arrival as it was then; False when it has changed since."""
        known = self._settler.known.get(verdict.entry)
        if known is None or known.arrival.seen.signature != signature:
            return False
        self._verdicts[verdict.entry] = (signature, verdict)
        self._stale = True
        return True

    def remember(self, verdicts: dict[str, tuple[bytes, Verdict]]) -> None:
        """What triage said before a restart; it holds for arrivals that are still the same."""
        self._verdicts.update(verdicts)

    def verdict(self, arrival: Arrival) -> Verdict | None:
        """What triage said of the arrival as it is now."""
        signature, verdict = self._verdicts.get(arrival.entry, (b"", None))
        return verdict if signature == arrival.seen.signature else None

    def next(self, now: float, busy: set[str]) -> tuple[Known, int, Decision] | None:
        """The most urgent arrival that may be taken, its priority and the decision; it is no longer waiting then."""
        if self._stale or now >= self._due:
            self._sort(now)
        for _ in range(len(self._takeable)):
            known, decision = self._takeable.popleft()
            entry = known.arrival.entry
            if entry in busy:
                self._stale = True
                continue
            if self._settler.known.get(entry) is not known:
                continue
            self._settler.forget(entry)
            return known, self._priority(known.arrival), decision
        return None

    def hold(self, known: Known, until: float, text: str) -> None:
        """Leave an arrival alone until then; the text says why."""
        entry = known.arrival.entry
        self._held[entry] = (until, text)
        self._settler.known.setdefault(entry, known)
        self._stale = True

    def to_look_at(self, now: float) -> list[Arrival]:
        """Arrivals that triage should look at, as many as one child may have; longest waiting first."""
        wanted = [
            known
            for known in self._settler.known.values()
            if may_look(known.arrival, now - known.since) and self.verdict(known.arrival) is None
        ]
        chosen: list[Arrival] = []
        size = 0
        for known in heapq.nsmallest(BATCH_ENTRIES, wanted, key=lambda known: known.first):
            size += known.arrival.seen.size
            if chosen and size > BATCH_BYTES:
                break
            chosen.append(known.arrival)
        return chosen

    @property
    def due(self) -> float:
        """Monotonic time at which ``next`` may find something that it did not find before."""
        return 0.0 if self._stale or self._takeable else self._due

    def next_look_in(self, now: float) -> float:
        """Seconds until triage may be worth while for some arrival."""
        waits = (
            known.since + LOOK_AFTER_S - now
            for known in self._settler.known.values()
            if self.verdict(known.arrival) is None and may_look(known.arrival, LOOK_AFTER_S)
        )
        return max(0.0, min(waits, default=_NEVER))

    def reasons(self, now: float, at_most: int) -> dict[str, str]:
        """Why each arrival waits; of so many at most."""
        first = islice(self._settler.known.items(), at_most)
        return {entry: self._why(known, now)[0] for entry, known in first}

    def long_waits(self, now: float, at_least: float) -> dict[str, tuple[str, float]]:
        """Arrivals that wait for nothing but time, and for so many seconds or more: why, and for how many."""
        whys = {entry: self._why(known, now) for entry, known in self._settler.known.items()}
        return {entry: (text, wait) for entry, (text, wait) in whys.items() if wait is not None and wait >= at_least}

    def hopeful(self, now: float) -> bool:
        """Whether some arrival may still be taken without anybody doing anything."""
        return any(
            self._why(known, now)[1] is not None
            or (self.verdict(known.arrival) is None and may_look(known.arrival, LOOK_AFTER_S))
            for known in self._settler.known.values()
        )

    def _why(self, known: Known, now: float) -> tuple[str, float | None]:
        """In words, and for how many seconds at most; None when only somebody can change it."""
        until, text = self._held.get(known.arrival.entry, (0.0, ""))
        if until > now:
            return text, (until - now if until < _NEVER else None)
        decision = self._decide(known, now)
        return (decision.text, decision.wait_s) if decision.what == "wait" else ("next in the queue", 0.0)

    def _decide(self, known: Known, now: float) -> Decision:
        return decide(known.arrival, now - known.since, self.verdict(known.arrival), self._settings)

    def _priority(self, arrival: Arrival) -> int:
        verdict = self.verdict(arrival)
        return PRIORITIES[verdict.priority] if verdict else PRIORITIES["normal"]

    def _sort(self, now: float) -> None:
        takeable: list[tuple[Known, Decision]] = []
        self._due = _NEVER
        for entry, known in self._settler.known.items():
            until, _ = self._held.get(entry, (0.0, ""))
            if until > now:
                self._due = min(self._due, until)
                continue
            decision = self._decide(known, now)
            if decision.what != "wait":
                takeable.append((known, decision))
            elif decision.wait_s is not None:
                self._due = min(self._due, now + decision.wait_s)
        takeable.sort(key=lambda pair: (-self._priority(pair[0].arrival), pair[0].first, pair[0].arrival.entry))
        self._takeable = deque(takeable)
        self._stale = False
