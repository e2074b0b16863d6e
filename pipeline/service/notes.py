"""What the operator reads beside a job in the inbox: a text file and a page.

They lie *beside* the job, never in its folder: a note inside would change what is being watched for changes and
hashed, and the folder is the operator's. The scanner of the inbox passes over both names, and a file of such a
name that nightmill did not write is left alone.
"""

from __future__ import annotations

import contextlib
import html
from pathlib import Path

from pipeline.job import job_name
from pipeline.service.inbox import NOTE_SUFFIXES
from pipeline.service.triage import TITLES, Verdict
from pipeline.site import Site
from pipeline.storage import write_whole

_OURS = "nightmill triage of "
_COLOURS = {"good": "#1b7f3b", "doubt": "#9a6700", "rescan": "#b3261e", "unreadable": "#b3261e"}


def write_verdict(site: Site, verdict: Verdict) -> None:
    """The finding of triage. Raises OSError when the inbox cannot be written."""
    counted = f"{verdict.captures} captures with {verdict.points:,} points" if verdict.captures else ""
    texts = [
        f"{finding.text}\n  What to do: {finding.remedy}".removesuffix("\n  What to do: ")
        for finding in verdict.findings
    ]
    _write(site, verdict.entry, TITLES[verdict.verdict], [counted, *texts], _COLOURS[verdict.verdict])


def write_known(site: Site, entry: str, text: str) -> None:
    """That a job which has left the inbox had been worked before."""
    _write(site, entry, "worked before", [text], _COLOURS["doubt"])


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


def _write(site: Site, entry: str, title: str, texts: list[str], colour: str) -> None:
    shown = [text for text in texts if text]
    plain = "\n\n".join([f"{_OURS}{entry}: {title}", *shown]) + "\n"
    paragraphs = "".join(f"<p>{html.escape(text)}</p>" for text in shown)
    page = (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{html.escape(_OURS + entry)}</title>'
        "<style>body{font:16px/1.5 sans-serif;max-width:45em;margin:2em auto;padding:0 1em}"
        f"h1{{font-size:1.3em}}strong{{color:{colour}}}p{{white-space:pre-line}}</style>"
        f"<h1>{html.escape(entry)}: <strong>{html.escape(title)}</strong></h1>{paragraphs}</html>\n"
    )
    for file, text in zip(_files(site, entry), (plain, page), strict=True):
        if not file.exists() or _is_ours(file):
            write_whole(file, text.encode())
