"""The one tree of errors. Each says what happened, where, and what to do about it."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from enum import StrEnum


class Outcome(StrEnum):
    """How a job ended, best first."""

    ACCEPTED = "accepted"
    REVIEW = "review"
    RESCAN = "rescan"
    FAILED = "failed"

    @property
    def severity(self) -> int:
        return list(Outcome).index(self)


class NightmillError(Exception):
    """Something a person can act on.

    Parameters
    ----------
    text
        What happened, and where, in one plain sentence.
    remedy
        What to do about it.
    code
        Short kebab-case name for scripts; stable between versions.
    """

    code = "error"

    def __init__(self, text: str, remedy: str, *, code: str | None = None) -> None:
        super().__init__(text)
        self.text = text
        self.remedy = remedy
        if code is not None:
            self.code = code

    def __str__(self) -> str:
        return f"{self.text} {self.remedy}".strip()


class CaptureError(NightmillError):
    """A capture file cannot be used: damaged, incomplete, too large, not what it says it is."""

    code = "capture-unreadable"


class DeliverableError(NightmillError):
    """A written deliverable did not read back as what was meant to be written."""

    code = "deliverable-differs"


class MachineError(NightmillError):
    """This machine lacks something: a library, memory, disk."""

    code = "machine"


class UsageError(NightmillError):
    """The command was called in a way that cannot work."""

    code = "usage"


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a file a person wrote: where it is, what is wrong, what is allowed."""

    file: str
    line: int
    key: str
    text: str

    def __str__(self) -> str:
        at = f"{self.key}: " if self.key else ""
        return f"{self.file}:{self.line}: {at}{self.text}"


class ConfigurationError(NightmillError):
    """A recipe, ticket or site file has mistakes; all of them are listed."""

    code = "configuration"

    def __init__(self, mistakes: list[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        files = shlex.join(dict.fromkeys(mistake.file for mistake in mistakes))
        super().__init__("\n".join(map(str, mistakes)), f"Mend it; `nightmill check {files}` says when it is good.")


class JobStopped(NightmillError):
    """A stage ended the job with an outcome other than a technical fault."""

    def __init__(self, outcome: Outcome, code: str, text: str, remedy: str, capture: str | None = None) -> None:
        super().__init__(text, remedy, code=code)
        self.outcome = outcome
        self.capture = capture
