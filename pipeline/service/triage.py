"""Triage: a quick look at every arrival, by day, so that the part is still on the bench when something is wrong.

The look runs in a child process, as the captures may be hostile. It also decides whether what lies there can be
read at all: a file that is still being copied looks like a damaged one.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict

from pipeline.report.now import Kind
from pipeline.service.child import Ended, Leash, run_child
from pipeline.service.inbox import Arrival
from pipeline.service.limits import Allowance, Limits
from pipeline.site import Site

BATCH_ENTRIES, BATCH_BYTES = 64, 2_000_000_000
BATCH_SECONDS = 600.0
TITLES: dict[Kind, str] = {
    "good": "can be worked",
    "doubt": "can be worked; look at this",
    "rescan": "scan again",
    "failing": "will fail as it is; mend this",
    "unreadable": "not readable",
}


class Finding(BaseModel):
    """One thing the quick look found."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    text: str
    remedy: str = ""


class Verdict(BaseModel):
    """What the quick look says of one arrival."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    entry: str
    verdict: Kind
    empty: bool = False
    """There is no capture yet."""
    sums_differ: bool = False
    """A checksum list is there and does not fit."""
    listed: bool = False
    """A checksum list is there and every file fits it."""
    priority: Literal["low", "normal", "high"] = "normal"
    captures: int = 0
    points: int = 0
    findings: tuple[Finding, ...] = ()

    @property
    def readable(self) -> bool:
        return self.verdict != "unreadable"

    @property
    def counted(self) -> str:
        """How many captures there are, in words."""
        return f"{self.captures} capture{'' if self.captures == 1 else 's'}"

    def sentence(self) -> str:
        """The verdict in one line."""
        what = f"{self.counted}, {self.points:,} points: " if self.captures else ""
        return what + TITLES[self.verdict] + "".join(f"; {finding.text}" for finding in self.findings[:1])


class LookOrder(BaseModel):
    """What the child is told: which entries to look at."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    root: Path
    entries: tuple[str, ...]
    limits: Limits


def triage(
    site: Site,
    arrivals: Sequence[Arrival],
    heard: Callable[[Verdict], None],
    *,
    allowance: Allowance,
    leash: Leash | None = None,
) -> None:
    """Look at arrivals in a child process and hand on each verdict as it comes.

    When the child dies over one of them, that one is called unreadable and the others are looked at all the same.
    """
    waiting = [arrival.entry for arrival in arrivals]
    while waiting:
        begun: list[str] = []
        finished: list[str] = []

        def listen(line: str, begun: list[str] = begun, finished: list[str] = finished) -> None:
            told = json.loads(line)
            if "begin" in told:
                begun.append(told["begin"])
            else:
                verdict = Verdict.model_validate(told)
                finished.append(verdict.entry)
                heard(verdict)

        ended = _look_in_child(site, waiting, allowance, listen, leash)
        if ended.how == "stopped":
            return
        waiting = [entry for entry in waiting if entry not in finished]
        if waiting:
            culprit = begun[-1] if begun and begun[-1] in waiting else waiting[0]
            waiting.remove(culprit)
            heard(Verdict(entry=culprit, verdict="unreadable", findings=(_died(ended),)))


def _look_in_child(
    site: Site, entries: list[str], allowance: Allowance, listen: Callable[[str], None], leash: Leash | None
) -> Ended:
    order = LookOrder(root=site.root, entries=tuple(entries), limits=allowance.limits())
    with tempfile.TemporaryDirectory(prefix="nightmill-look-") as folder:
        file = Path(folder) / "order.json"
        file.write_text(order.model_dump_json(), encoding="utf-8")
        return run_child(
            [sys.executable, "-m", "pipeline", "look", str(file)],
            environment=allowance.environment(),
            seconds=BATCH_SECONDS,
            log=Path(folder) / "look.log",
            listen=listen,
            leash=leash,
        )


def _died(ended: Ended) -> Finding:
    text = "the quick look took too long" if ended.how == "timeout" else "the quick look at it ended without a result"
    return Finding(
        text=f"{text}.", remedy="Export the captures again; if that does not help, drop it and let it be worked."
    )
