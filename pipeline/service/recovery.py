"""Bringing journal and folders together after whatever happened: the folders are right.

A finished folder in ``delivered`` or ``attention`` is a result; a folder in ``raw`` is a job; everything else that
an attempt left is rubbish. Nothing here removes captures or results.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from pathlib import Path

from pipeline.errors import Outcome, UsageError
from pipeline.manifest import Manifest, read_manifest
from pipeline.service.clock import Clock, timestamp
from pipeline.service.identity import identity_of
from pipeline.service.inbox import printable
from pipeline.service.journal import Entry, Journal, State
from pipeline.service.notes import remove_note
from pipeline.service.routing import CHOSEN_RECIPE
from pipeline.service.tree import READY_MARKER
from pipeline.site import Site


def open_journal(site: Site, clock: Clock) -> tuple[Journal, str]:
    """The site's journal, and what had to be done to get it. A damaged one is put aside; the folders give a new one."""
    site.journal.parent.mkdir(parents=True, exist_ok=True)
    try:
        journal = Journal(site.journal)
        if journal.sound():
            return journal, ""
        journal.close()
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError):
            raise
    aside = site.journal.with_name(f"{site.journal.name}.damaged-{clock.now():%Y%m%dT%H%M%S}")
    site.journal.rename(aside)
    for rest in ("-journal", "-wal", "-shm"):
        site.journal.with_name(site.journal.name + rest).unlink(missing_ok=True)
    return Journal(site.journal), f"the journal was damaged; it lies at {aside.name} and is rebuilt from the folders"


def recover(site: Site, journal: Journal, clock: Clock) -> list[str]:
    """Make the journal say what the folders hold, and clear what broken attempts left; what was done, one line each."""
    done: list[str] = []
    for entry in journal.by_state(State.RUNNING):
        how = resolve(site, journal, entry, interrupted=True)
        done.append(f"{entry.job}: the service ended while it was worked; {how}")
    done += adopt(site, journal, clock)
    _adopt_results(site, journal, done)
    for entry in journal.by_state(State.CLAIMED, State.READY):
        if not (site.raw / entry.job).is_dir():
            done.append(f"{entry.job}: its captures are no longer in {site.raw}; it cannot be worked")
            _give_up(site, journal, entry, clock)
    gone = [entry for entry in journal.triage() if not os.path.lexists(site.inbox / entry)]
    for entry_name in gone:
        remove_note(site, entry_name)
    journal.drop_triage(gone)
    for leftover in site.work.glob("*/attempt-*"):
        shutil.rmtree(leftover, ignore_errors=True)
    for folder in site.work.iterdir():
        with contextlib.suppress(OSError):  # not empty, or not a folder: somebody's
            folder.rmdir()
    return done


def resolve(site: Site, journal: Journal, entry: Entry, *, interrupted: bool) -> str:
    """A job whose attempt came to an unknown end: published, or to be worked again."""
    published = published_by(site, entry)
    if published is not None:
        finish(site, journal, entry, published)
        return "its result had been published"
    journal.move(
        entry,
        State.READY if entry.content is not None and entry.recipe is not None else State.CLAIMED,
        attempts=max(0, entry.attempts - 1),
        interruptions=entry.interruptions + interrupted,
    )
    return "it is worked again"


def published_by(site: Site, entry: Entry) -> Manifest | None:
    """The published manifest of exactly this attempt, or None."""
    folder = site.result_of(entry.job)
    if folder is None:
        return None
    try:
        manifest = read_manifest(folder)
    except UsageError:
        return None
    return manifest if manifest.attempt == entry.token else None


def finish(site: Site, journal: Journal, entry: Entry, manifest: Manifest) -> None:
    """Note in the journal that a published job is done, and clear its place in ``work``."""
    first = manifest.reasons[0] if manifest.reasons else None
    journal.move(
        entry,
        State.DONE,
        outcome=str(manifest.outcome),
        code=first.code if first else None,
        text=first.text if first else None,
        finished=timestamp(manifest.finished),
        forced=0,
    )
    folder = site.work / entry.job
    (folder / CHOSEN_RECIPE).unlink(missing_ok=True)
    with contextlib.suppress(OSError):  # earlier results keep it until their time is up
        folder.rmdir()


def adopt(site: Site, journal: Journal, clock: Clock) -> list[str]:
    """Enter folders in ``raw`` that the journal does not know: something happened between the rename and the row."""
    done: list[str] = []
    for folder in sorted(site.raw.iterdir()):
        if not folder.is_dir() or folder.is_symlink() or journal.get(folder.name) is not None:
            continue
        files = [file for file in folder.rglob("*") if file.is_file() and not file.is_symlink()]
        if all(_is_marker(file) for file in files) and not any(file.is_symlink() for file in folder.rglob("*")):
            for file in files:  # the file they belong to was not moved
                file.rename(site.inbox / file.name)
            with contextlib.suppress(OSError):
                folder.rmdir()
            continue
        size = sum(file.stat().st_size for file in files)
        name = printable(folder.name)
        journal.add(folder.name, name, bytes=size, priority=1, claimed=timestamp(clock.now()))
        if site.result_of(folder.name) is None:
            done.append(f"{name}: found in {site.raw}, taken in again")
    return done


def _is_marker(file: Path) -> bool:
    return file.name.endswith((READY_MARKER, ".sha256"))


def _adopt_results(site: Site, journal: Journal, done: list[str]) -> None:
    """Results that the journal does not know, or not as results: it was lost, or restored from an old copy."""
    for place in (site.delivered, site.attention):
        for folder in sorted(place.iterdir()):
            entry = journal.get(folder.name)
            if entry is not None and entry.state is not State.CLAIMED:
                continue
            if entry is not None and (entry.forced or entry.content is not None):
                continue
            try:
                manifest = read_manifest(folder)
            except (UsageError, OSError):
                continue
            if manifest.job != folder.name:
                continue
            journal.add(folder.name, folder.name, bytes=0, priority=1, claimed=timestamp(manifest.started))
            entry = journal.get(folder.name)
            assert entry is not None
            entry = journal.move(
                entry,
                State.CLAIMED,
                token=manifest.attempt,
                content=manifest.content_sha256,
                identity=_identity(manifest),
            )
            finish(site, journal, entry, manifest)
            done.append(f"{folder.name}: its result was entered into the journal again")


def _identity(manifest: Manifest) -> str | None:
    if manifest.content_sha256 is None:
        return None
    return identity_of(manifest.content_sha256, manifest.recipe.sha256, manifest.software.get("nightmill", ""))


def _give_up(site: Site, journal: Journal, entry: Entry, clock: Clock) -> None:
    journal.move(
        entry,
        State.DONE,
        outcome=str(Outcome.FAILED),
        code="captures-gone",
        text=f"Its captures are no longer in {site.raw}.",
        finished=timestamp(clock.now()),
    )
