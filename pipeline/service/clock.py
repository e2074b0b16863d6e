"""Time, so that tests can give their own. Spans are measured by the monotonic clock: the wall clock jumps."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the service asks of time."""

    def monotonic(self) -> float:
        """Seconds that only ever grow."""

    def now(self) -> datetime:
        """The wall clock, local, with its zone."""


class SystemClock:
    """The machine's clocks."""

    def monotonic(self) -> float:
        return time.monotonic()

    def now(self) -> datetime:
        return datetime.now().astimezone()


def timestamp(moment: datetime) -> str:
    """RFC 3339 in UTC, to the second."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
