"""One job from the inbox, or from the queue, to its result: what a worker's thread does."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pipeline
from pipeline.errors import CaptureError, NightmillError, Outcome
from pipeline.job import load_job
from pipeline.manifest import Manifest, differences
from pipeline.recipe import load_recipe
from pipeline.report.site import page_missing
from pipeline.runner import recipe_record
from pipeline.service.claim import NotNow, claim
from pipeline.service.clock import Clock, timestamp
from pipeline.service.disk import shortage
from pipeline.service.engines import Engine
from pipeline.service.identity import identity_of
from pipeline.service.inbox import Arrival, printable
from pipeline.service.journal import TECHNICAL_FAULTS, Entry, Journal, Overtaken, State
from pipeline.service.notes import remove_note, write_known
from pipeline.service.publish import publish
from pipeline.service.recovery import finish, resolve
from pipeline.service.routing import recipe_for
from pipeline.service.tree import content_hash
from pipeline.service.worker import Order, rejected
from pipeline.site import Site
from pipeline.stage import Reason

MAX_INTERRUPTIONS = 10
DISK_WAIT_S = 300.0
FAULT_WAIT_S = 60.0

Tell = Callable[[str, str, int, int], None]
"""Told before each step of an attempt: job, step, its place, the length of the chain."""


@dataclass(frozen=True, slots=True)
class Turn:
    """What became of one turn of a job at the bench.

    Attributes
    ----------
    kind : ``done`` it has its result; ``known`` it was worked before; ``later`` it waits for ``wait_s``;
        ``stopped`` it was put back because the service ends; ``left`` it stays in the inbox
    text : why, for people
    fault : what kept it from being worked that is no fault of the job: no disk, a failing call, or that the same
        is being worked under another name
    """

    kind: Literal["done", "known", "later", "stopped", "left"]
    job: str
    text: str = ""
    wait_s: float = 0.0
    manifest: Manifest | None = None
    place: Path | None = None
    fault: Literal["", "disk", "error", "twin"] = ""


class _Twin(Exception):
    """The same captures and recipe are in the queue already, under another name."""


class Bench:
    """Claims, admits, attempts, publishes. Safe to be used by several threads, each with a job of its own."""

    def __init__(self, site: Site, journal: Journal, engine: Engine, clock: Clock, tell: Tell) -> None:
        self.site = site
        self.journal = journal
        self.engine = engine
        self.clock = clock
        self.tell = tell
        self.entering = threading.Lock()
        """Held while a claimed job is not yet in the journal."""
        self.at_work: set[str] = set()
        """Jobs that some thread has at this bench."""

    def take(self, arrival: Arrival, priority: int, rejection: Reason | None = None) -> Turn:
        """Claim an arrival and work it. With a ``rejection`` it goes straight to ``attention``."""
        name, job = printable(arrival.entry), ""
        try:
            lacking = shortage(self.site, arrival.seen.size)
            if lacking:
                return Turn("left", name, f"{lacking}; it waits", DISK_WAIT_S, fault="disk")
            with self.entering:
                job = claim(self.site, arrival, ask_for_writers=not arrival.seen.ready and rejection is None)
                self.at_work.add(job)
                claimed = timestamp(self.clock.now())
                self.journal.add(job, name, bytes=arrival.seen.size, priority=priority, claimed=claimed)
            remove_note(self.site, arrival.entry)
            self.journal.drop_triage([arrival.entry])
            entry = self.journal.get(job)
            assert entry is not None
            return self.work(entry, rejection)
        except NotNow as reason:
            return Turn("left", name, str(reason))
        except (OSError, sqlite3.Error) as error:
            return Turn("left", name, f"it could not be taken: {error}", FAULT_WAIT_S, fault="error")
        finally:
            self.at_work.discard(job)

    def work(self, entry: Entry, rejection: Reason | None = None) -> Turn:
        """Work a job that lies in ``raw``. Whatever the disk or the journal do, the job is put back, not lost."""
        self.at_work.add(entry.job)
        try:
            lacking = shortage(self.site, entry.bytes)
            if lacking:
                return Turn("later", entry.job, f"{lacking}; it waits", DISK_WAIT_S, fault="disk")
            if rejection is None:
                entry, rejection = self._admit(entry) if entry.state is State.CLAIMED else (entry, _recipe_gone(entry))
            if entry.state is State.KNOWN:
                with contextlib.suppress(OSError):  # status says it as well
                    write_known(self.site, entry.source, entry.known_as, self.site.raw / entry.job)
                return Turn("known", entry.job, entry.known_as)
            return self._attempt(entry, rejection)
        except _Twin as twin:
            return Turn("later", entry.job, str(twin), FAULT_WAIT_S, fault="twin")
        except Overtaken as late:
            return Turn("later", entry.job, str(late), FAULT_WAIT_S)
        except (OSError, sqlite3.Error, NightmillError) as error:
            return Turn("later", entry.job, f"{type(error).__name__}: {error}", FAULT_WAIT_S, fault="error")
        finally:
            self.at_work.discard(entry.job)

    def _admit(self, entry: Entry) -> tuple[Entry, Reason | None]:
        """Hash the captures, choose the recipe, and see whether the same was worked before."""
        folder = self.site.raw / entry.job
        try:
            content = content_hash_of(folder)
            ticket_recipe = None
            with contextlib.suppress(NightmillError):  # the attempt will say what is wrong with the ticket
                ticket_recipe = load_job(folder).ticket.recipe
            file = recipe_for(self.site, entry.job, ticket_recipe)
            recipe = load_recipe(file)
        except NightmillError as error:
            return entry, Reason(Outcome.FAILED, error.code, error.text, error.remedy)
        identity = identity_of(content, recipe_record(recipe).sha256, pipeline.__version__)
        with self.entering:
            same = None if entry.forced else self.journal.same_as(identity, entry.job)
            if same is None:
                entry = self.journal.move(entry, State.READY, content=content, identity=identity, recipe=str(file))
            elif same.state is State.DONE:
                entry = self.journal.move(entry, State.KNOWN, content=content, identity=identity, same_as=same.job)
            else:
                raise _Twin(f"the same as {same.job}, which is being worked; it waits for that")
        return entry, None

    def _attempt(self, entry: Entry, rejection: Reason | None) -> Turn:
        entry = self.journal.move(entry, State.RUNNING, token=entry.token + 1, attempts=entry.attempts + 1)
        staging = self.site.work / entry.job / f"attempt-{entry.token}"
        shutil.rmtree(staging, ignore_errors=True)
        staging.mkdir(parents=True)
        try:
            if rejection is not None:
                manifest: Manifest | None = self._reject(entry, staging, rejection)
            elif entry.interruptions > MAX_INTERRUPTIONS:
                manifest = self._reject(entry, staging, _too_often_interrupted(entry))
            else:
                manifest = self._place(entry, staging)
            return self._conclude(entry, staging, manifest)
        except Exception:
            with contextlib.suppress(Overtaken):
                resolve(self.site, self.journal, entry, interrupted=False)
            raise
        finally:
            shutil.rmtree(staging, ignore_errors=True)

    def _place(self, entry: Entry, staging: Path) -> Manifest | None:
        assert entry.recipe is not None
        order = Order(
            job=self.site.raw / entry.job,
            name=entry.job,
            recipe=Path(entry.recipe),
            folder=staging,
            max_points=self.site.settings.max_points,
            content_sha256=entry.content,
            attempt=entry.token,
            home=self.site.delivered / entry.job,  # a page in `attention` looks the same from there
        )
        return self.engine.place(order, lambda step, place, of: self.tell(entry.job, step, place, of))

    def _reject(self, entry: Entry, staging: Path, reason: Reason) -> Manifest:
        for leftover in staging.iterdir():
            shutil.rmtree(leftover) if leftover.is_dir() else leftover.unlink()
        recipe = load_recipe(recipe_for(self.site, "", None))
        manifest = rejected(entry.job, recipe, reason)
        manifest = manifest.model_copy(update={"attempt": entry.token, "content_sha256": entry.content})
        manifest.write(staging)
        return manifest

    def _conclude(self, entry: Entry, staging: Path, manifest: Manifest | None) -> Turn:
        if manifest is None:
            self._put_back(entry)
            return Turn("stopped", entry.job, "put back; no attempt was spent", FAULT_WAIT_S)
        if entry.content is not None and content_hash_of(self.site.raw / entry.job) != entry.content:
            self._put_back(entry, State.CLAIMED)
            return Turn("later", entry.job, "its captures changed while it was worked; it begins anew", FAULT_WAIT_S)
        if manifest.outcome is Outcome.FAILED and shortage(self.site, entry.bytes):
            self._put_back(entry)
            return Turn("later", entry.job, "the disk is short; it waits", DISK_WAIT_S, fault="disk")
        wrong = differences(staging, manifest)
        if wrong:
            manifest = self._reject(entry, staging, _differs(wrong))
        waits = self.site.settings.retry_minutes
        if _technical(manifest) and entry.attempts <= len(waits):
            self.journal.move(entry, State.READY)
            text = f"attempt {entry.attempts} failed: {manifest.reasons[0].text}"
            return Turn("later", entry.job, text, 60 * waits[entry.attempts - 1])
        place = publish(self.site, staging, manifest, entry.token)
        finish(self.site, self.journal, entry, manifest)
        missing = page_missing(place) if manifest.deliverables else ""
        text = f"{manifest.outcome}; {missing}" if missing else str(manifest.outcome)
        return Turn("done", entry.job, text, manifest=manifest, place=place)

    def _put_back(self, entry: Entry, state: State = State.READY) -> None:
        """As it was before the attempt, which does not count."""
        state = State.CLAIMED if entry.content is None else state
        self.journal.move(entry, state, attempts=entry.attempts - 1)


def content_hash_of(folder: Path) -> str:
    """Hash of a job's files. Raises CaptureError, also when one of them cannot be read."""
    try:
        return content_hash(folder)
    except PermissionError as error:
        text = f"{error.filename or folder} may not be read: {error.strerror}."
        raise CaptureError(text, "Give the service's user the right to read it.", code="not-readable") from error


def _technical(manifest: Manifest) -> bool:
    """Whether another attempt may end better. A job that was interrupted too often has had its attempts."""
    code = manifest.reasons[0].code if manifest.reasons else ""
    return manifest.outcome is Outcome.FAILED and code in TECHNICAL_FAULTS and code != "interrupted"


def _recipe_gone(entry: Entry) -> Reason | None:
    """Why the recipe that was chosen can no longer be used."""
    try:
        load_recipe(Path(entry.recipe or ""))
    except NightmillError as error:
        return Reason(Outcome.FAILED, error.code, error.text, error.remedy)
    return None


def _differs(wrong: list[str]) -> Reason:
    text = f"Before publishing: {'; '.join(wrong)}."
    return Reason(Outcome.FAILED, "deliverable-differs", text, "Look at the disk, then work the job again.")


def _too_often_interrupted(entry: Entry) -> Reason:
    text = f"The service ended {entry.interruptions} times while it worked on this job: it may bring the machine down."
    return Reason(Outcome.FAILED, "interrupted", text, "Look into the system's log for lack of memory; then requeue.")
