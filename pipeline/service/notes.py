"""What the operator reads beside a job in the inbox: a text file and a page.

They lie *beside* the job, never in its folder: a note inside would change what is being watched for changes and
hashed, and the folder is the operator's. The scanner of the inbox passes over both names, and a file of such a
name that nightmill did not write is left alone.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

from pipeline.job import job_name
from pipeline.report.now import Kind, triage_page
from pipeline.service.inbox import NOTE_SUFFIXES, printable
from pipeline.service.triage import TITLES, Verdict
from pipeline.site import Site
from pipeline.storage import write_whole

_OURS = "nightmill triage of "
_KNOWN = "worked before"


def write_verdict(site: Site, verdict: Verdict) -> None:
    """The finding of triage. Raises OSError when the inbox cannot be written."""
    counted = f"{verdict.counted} with {verdict.points:,} points" if verdict.captures else ""
    findings = [(finding.text, finding.remedy) for finding in verdict.findings]
    until = "It is taken in the site's hours. This page goes when it is taken."
    _write(site, verdict.entry, verdict.verdict, TITLES[verdict.verdict], counted, findings, until)


def write_known(site: Site, entry: str, text: str, captures: Path) -> None:
    """That a job which has left the inbox had been worked before; not beside another that lies there by its name."""
    if not os.path.lexists(site.inbox / entry):
        until = "This page goes after a week, or when another job of this name comes."
        _write(site, entry, "doubt", _KNOWN, "", [(f"{text}. These captures lie in {captures}", "")], until)


def remove_known(site: Site, entry: str) -> None:
    """Remove that an earlier job of this name had been worked before: it is not so of what comes now."""
    with contextlib.suppress(OSError):
        text = _files(site, entry)[0].read_bytes()
        if text.startswith(f"{_OURS}{printable(entry)}: {_KNOWN}".encode()):
            remove_note(site, entry)


def remove_note(site: Site, entry: str) -> None:
    """Remove what was written about an entry; nothing that somebody else wrote."""
    for file in _files(site, entry):
        with contextlib.suppress(OSError):
            if _is_ours(file):
                file.unlink()


def noted(site: Site) -> set[Path]:
    """Every note of ours that lies in the inbox."""
    found = [file for suffix in NOTE_SUFFIXES for file in site.inbox.glob(f"*{suffix}")]
    return {file for file in found if _is_ours(file)}


def note_files(site: Site, entry: str) -> tuple[Path, Path]:
    """Text and page about an entry, whether they exist or not."""
    return _files(site, entry)


def _files(site: Site, entry: str) -> tuple[Path, Path]:
    name = job_name(entry)
    return site.inbox / f"{name}{NOTE_SUFFIXES[0]}", site.inbox / f"{name}{NOTE_SUFFIXES[1]}"


def _is_ours(file: Path) -> bool:
    if file.is_symlink() or not file.is_file():
        return False
    with file.open("rb") as content:
        return _OURS.encode() in content.read(len(_OURS) + 200)


def _write(
    site: Site, entry: str, kind: Kind, title: str, counted: str, findings: Sequence[tuple[str, str]], until: str
) -> None:
    texts = [f"{text}\n  What to do: {remedy}" if remedy else text for text, remedy in findings]
    plain = "\n\n".join([f"{_OURS}{entry}: {title}", *([counted] if counted else []), *texts]) + "\n"
    page = triage_page(entry, kind, title, counted, findings, until)
    for file, content in zip(_files(site, entry), (plain.encode(), page), strict=True):
        if not file.exists() or _is_ours(file):
            write_whole(file, content)
