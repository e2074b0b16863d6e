"""May an arrival be taken? One function of what was seen, for how long, and what triage said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.errors import Outcome
from pipeline.service.inbox import Arrival
from pipeline.service.triage import Verdict
from pipeline.site import Settings
from pipeline.stage import Reason

LOOK_AFTER_S = 5.0
"""Triage begins when nothing changed for this long: it is only a look, and is repeated when something does change."""


@dataclass(frozen=True, slots=True)
class Decision:
    """Take it, take it to attention, or wait: for ``wait_s``, or for something to happen."""

    what: Literal["take", "reject", "wait"]
    text: str = ""
    wait_s: float | None = None
    reason: Reason | None = None


TAKE = Decision("take")


def decide(arrival: Arrival, quiet_s: float, verdict: Verdict | None, settings: Settings) -> Decision:
    """What to do with an arrival in which nothing changed for ``quiet_s``, and what triage said of it as it is now."""
    seen, settle, patience = arrival.seen, settings.settle_s, settings.unreadable_after_s
    if seen.refused:
        remedy = "Drop plain files only: copies, not links; then drop the job again."
        return _reject_after(settle, quiet_s, "not-a-file", f"In the job, {seen.refused}.", remedy)
    if seen.partial:
        text = f"{seen.partial} has the name of a file that is still being copied."
        return _reject_after(patience, quiet_s, "incomplete-copy", text, "Copy the captures again, whole.")
    if seen.ready:
        return TAKE
    if arrival.folder and seen.files == 0:
        return Decision("wait", "it is empty")
    if verdict is None:
        return Decision("wait", "it is being looked at")
    if verdict.listed:
        return TAKE
    if quiet_s < settle:
        return Decision("wait", "waiting for the copying to end", settle - quiet_s)
    if verdict.readable:
        return TAKE
    if verdict.empty:
        return Decision("wait", "no capture yet")
    texts = " ".join(finding.text for finding in verdict.findings)
    if verdict.sums_differ:
        remedy = "Copy the captures again, or mend the list; then drop the job again."
        return _reject_after(patience, quiet_s, "checksum-differs", texts, remedy)
    if quiet_s < patience:
        return Decision("wait", f"it cannot be read yet: {texts}", patience - quiet_s)
    return TAKE  # the attempt will say in full what cannot be read


def may_look(arrival: Arrival, quiet_s: float) -> bool:
    """Whether triage is worth while now."""
    seen = arrival.seen
    return not (seen.refused or seen.partial or seen.ready) and seen.files > 0 and quiet_s >= LOOK_AFTER_S


def _reject_after(patience: float, quiet_s: float, code: str, text: str, remedy: str) -> Decision:
    if quiet_s < patience:
        return Decision("wait", text, patience - quiet_s)
    return Decision("reject", text, reason=Reason(Outcome.FAILED, code, text, remedy))
