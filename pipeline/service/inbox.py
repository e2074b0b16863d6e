"""Arrivals: what lies in the inbox, and since when nothing has changed.

A full look is the only truth. File events are lost by the thousand under load, at the limit of watches and
always on network shares; elsewhere they only make the next look come sooner.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.job import job_name
from pipeline.service.tree import READY_MARKER, Survey, survey

NOTE_SUFFIXES = (".triage.txt", ".triage.html")
TICKET_FILE = "ticket.yaml"


@dataclass(frozen=True, slots=True)
class Arrival:
    """One entry of the inbox that may be, or become, a job."""

    entry: str
    folder: bool
    seen: Survey

    @property
    def job(self) -> str:
        """The name its job will have if it is free."""
        return job_name(self.entry if self.folder else Path(self.entry).stem)


@dataclass(frozen=True, slots=True)
class Look:
    """One look at the inbox: the arrivals, entries that are no captures, and what could not be read."""

    arrivals: tuple[Arrival, ...] = ()
    others: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    lost: str = ""
    """Why the inbox itself could not be read; empty when it could."""


def look(inbox: Path, capture_suffixes: Iterable[str]) -> Look:
    """Look at every entry. Never raises for what lies there."""
    suffixes = tuple(capture_suffixes)
    arrivals: list[Arrival] = []
    others: list[str] = []
    problems: list[str] = []
    try:
        with os.scandir(inbox) as found:
            entries = list(found)
    except OSError as error:
        return Look(lost=f"the inbox {inbox} cannot be read: {error.strerror}")
    names = {entry.name for entry in entries}
    for entry in entries:
        name = entry.name
        if name.startswith(".") or name.endswith(NOTE_SUFFIXES):
            continue
        try:
            arrival = _arrival(entry, names, suffixes)
        except FileNotFoundError:
            continue  # gone, or going: the next look will tell
        except OSError as error:
            problems.append(f"{printable(name)} cannot be read: {error.strerror}")
            continue
        if arrival is not None:
            arrivals.append(arrival)
        elif not _belongs_to_another(name, names):
            others.append(printable(name))
    return Look(tuple(arrivals), tuple(sorted(others)), tuple(sorted(problems)))


def printable(name: str) -> str:
    """A file's name as text, whatever bytes it has."""
    return os.fsencode(name).decode("utf-8", "replace")


def companions(inbox: Path, entry: str) -> list[Path]:
    """Marker and checksum list of a single file that exist."""
    return [inbox / name for name in _companion_names(entry) if (inbox / name).is_file()]


def _companion_names(entry: str) -> tuple[str, str]:
    return entry + READY_MARKER, entry + ".sha256"


def _belongs_to_another(name: str, names: set[str]) -> bool:
    return any(name.endswith(end) and name.removesuffix(end) in names for end in (READY_MARKER, ".sha256"))


def _arrival(entry: os.DirEntry[str], names: set[str], suffixes: tuple[str, ...]) -> Arrival | None:
    if entry.is_dir(follow_symlinks=False):
        return Arrival(entry.name, True, survey(entry))
    mode = entry.stat(follow_symlinks=False).st_mode
    if not entry.name.lower().endswith(suffixes) or not stat.S_ISREG(mode):
        return None  # a link or a pipe among them: not a job, and left alone
    marker, checksums = _companion_names(entry.name)
    seen = survey(entry)
    if marker in names or checksums in names:
        seen = replace(seen, ready=marker in names, listed=checksums in names)
    return Arrival(entry.name, False, seen)


@dataclass(slots=True)
class Known:
    """What the settler remembers of an arrival; times are monotonic seconds."""

    arrival: Arrival
    first: float
    since: float


class Settler:
    """Since when has nothing changed? By the monotonic clock: the wall clock jumps."""

    def __init__(self) -> None:
        self.known: dict[str, Known] = {}

    def observe(self, arrivals: Iterable[Arrival], now: float) -> None:
        """Take in a look that began at ``now``."""
        before, self.known = self.known, {}
        for arrival in arrivals:
            old = before.get(arrival.entry)
            if old is None:
                self.known[arrival.entry] = Known(arrival, now, now)
            elif old.arrival.seen.signature == arrival.seen.signature:
                self.known[arrival.entry] = Known(arrival, old.first, old.since)
            else:
                self.known[arrival.entry] = Known(arrival, old.first, now)

    def forget(self, entry: str) -> None:
        self.known.pop(entry, None)
