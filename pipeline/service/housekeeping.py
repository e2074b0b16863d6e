"""Retention: what is removed, and when. Only what the site's settings name, and only what is nightmill's to remove."""

from __future__ import annotations

import shutil
from datetime import date, datetime, timedelta

from pipeline.errors import NightmillError, Outcome
from pipeline.service.clock import Clock, timestamp
from pipeline.service.journal import Journal, State
from pipeline.service.notes import note_files, noted
from pipeline.service.publish import refuse_foreign
from pipeline.site import Site

_LAST_SEEN = "last housekeeping"
_BELIEVABLE = timedelta(days=7)


def keep_house(site: Site, journal: Journal, clock: Clock, entries: set[str]) -> list[str]:
    """Remove what has had its time; what was removed, one line each.

    A clock that is wrong by years must not empty ``raw``: when more time seems to have passed since the last round
    than a week, or less than none, nothing is removed this time.

    Parameters
    ----------
    entries : names that lie in the inbox now; notes about others are removed
    """
    now = clock.now()
    last = journal.note(_LAST_SEEN)
    journal.put_note(_LAST_SEEN, timestamp(now))
    if last is None or not timedelta(0) <= now - datetime.fromisoformat(last) <= _BELIEVABLE:
        return []
    done: list[str] = []
    _remove_notes(site, entries, now)
    keep = site.settings.retention
    if keep.raw_days is not None:
        _remove_raw(site, journal, now - timedelta(days=keep.raw_days), done)
    _remove_work(site, now - timedelta(days=keep.work_days), done)
    if keep.reports_days is not None:
        limit = (now - timedelta(days=keep.reports_days)).date().isoformat()
        for folder in site.reports.iterdir():
            if folder.is_dir() and not folder.is_symlink() and _is_date(folder.name) and folder.name < limit:
                shutil.rmtree(folder)
                done.append(f"removed {folder}")
    return done


def _remove_raw(site: Site, journal: Journal, limit: datetime, done: list[str]) -> None:
    """Captures of accepted jobs whose result still lies there, and of jobs that were the same as such a one."""
    accepted: set[str] = set()
    for entry in journal.by_state(State.DONE):
        old = entry.finished is not None and datetime.fromisoformat(entry.finished) < limit
        if old and entry.outcome == Outcome.ACCEPTED and (site.delivered / entry.job).is_dir():
            accepted.add(entry.job)
    for entry in journal.by_state(State.KNOWN):
        if entry.same_as in accepted and datetime.fromisoformat(entry.claimed) < limit:
            accepted.add(entry.job)
    for job in sorted(accepted):
        folder = site.raw / job
        if folder.is_dir() and not folder.is_symlink():
            shutil.rmtree(folder)
            done.append(f"removed {folder}: retention.raw_days")


def _remove_work(site: Site, limit: datetime, done: list[str]) -> None:
    for folder in site.work.glob("*/earlier-*"):
        if folder.is_symlink() or folder.stat().st_ctime >= limit.timestamp():
            continue
        try:
            refuse_foreign(folder)
        except NightmillError:
            continue  # somebody's own files lie among an earlier result: theirs to remove
        shutil.rmtree(folder)
        done.append(f"removed {folder}: retention.work_days")


def _remove_notes(site: Site, entries: set[str], now: datetime) -> None:
    """Notes about what is no longer there, after a week: somebody may still want to read why it went."""
    current = {file for entry in entries for file in note_files(site, entry)}
    for file in noted(site) - current:
        if file.stat().st_mtime < (now - timedelta(days=7)).timestamp():
            file.unlink()


def _is_date(name: str) -> bool:
    try:
        return date.fromisoformat(name).isoformat() == name
    except ValueError:
        return False
