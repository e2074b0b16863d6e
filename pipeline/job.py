"""A job: one part's captures with their ticket, as an operator dropped them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from pipeline.document import nearest
from pipeline.errors import ConfigurationError, Mistake, UsageError
from pipeline.formats import CAPTURE_SUFFIXES
from pipeline.formats.words import is_words
from pipeline.ticket import TICKET_FILE, Ticket, load_ticket, looks_like_a_ticket

_TEXT_FOR_PEOPLE = {"readme", "notes", "note"}
_PICTURES = {".jpg", ".jpeg", ".png", ".webp", ".heic", ".tif", ".tiff", ".bmp", ".gif", ".pdf"}


@dataclass(frozen=True, slots=True)
class Job:
    """Name, ticket and capture files; nothing of the files has been read but the ticket."""

    name: str
    captures: tuple[Path, ...]
    ticket: Ticket
    ignored: tuple[str, ...] = ()

    @property
    def part(self) -> str:
        return self.ticket.part or self.name

    @property
    def left_out(self) -> tuple[str, ...]:
        """Ignored files that are named as the captures are but for the number: sides in a format that is not read.

        What is named exactly as a capture, or is a picture, goes with the captures.
        """
        stems = {capture.stem.lower() for capture in self.captures}
        series = {_series(stem) for stem in stems} - {None}
        others = {name: Path(name.lower()) for name in self.ignored}
        return tuple(
            name
            for name, path in others.items()
            if path.suffix not in _PICTURES and path.stem not in stems and _series(path.stem) in series
        )


def load_job(path: Path) -> Job:
    """A job from its folder, or from a single capture file.

    Raises
    ------
    UsageError
        When there is no such folder or file, it holds no capture, or what looks like its ticket would not be read.
    ConfigurationError
        When the ticket has mistakes, or speaks of captures that are not there.
    """
    if path.is_symlink() or not path.exists():
        what = "is a symbolic link" if path.is_symlink() else "does not exist"
        raise UsageError(f"{path} {what}.", "Give a folder with captures, or one capture file.")
    if not path.is_dir():
        return Job(job_name(path.stem), (path,), Ticket())
    name, path = path.name, _innermost(path)
    captures = captures_in(path)
    others = set(path.iterdir()) - {*captures, path / TICKET_FILE}
    ignored = sorted(entry for entry in others if not entry.name.startswith("."))
    _refuse_several_parts(path, ignored, bool(captures))
    _refuse_unread_tickets(path)
    if not captures:
        kinds = " ".join(sorted(CAPTURE_SUFFIXES))
        words = [entry.name for entry in ignored if is_words(entry)]
        read = f" {', '.join(words[:5])} holds words and no points." if words else ""
        raise UsageError(f"{path} holds no capture.{read}", f"Export the captures into it as one of: {kinds}.")
    ticket = Ticket()
    if (path / TICKET_FILE).exists():
        ticket = load_ticket(path / TICKET_FILE)
        check_captures(path / TICKET_FILE, ticket, [capture.name for capture in captures])
    return Job(job_name(name), tuple(captures), ticket, tuple(entry.name for entry in ignored))


def captures_in(folder: Path) -> list[Path]:
    """The captures that lie in a folder, by name.

    A text without points is none, unless it is numbered as they are or there is no other: then a capture was meant, and
    what is wrong with it must be said.
    """
    named = sorted(
        entry for entry in folder.iterdir() if not entry.name.startswith(".") and _is_named_as_capture(entry)
    )
    captures = [entry for entry in named if not is_words(entry)]
    series = {_series(entry.stem.lower()) for entry in captures} - {None}
    return [entry for entry in named if entry in captures or _series(entry.stem.lower()) in series] or named


def check_captures(file: Path, ticket: Ticket, present: list[str]) -> None:
    """Raise ConfigurationError when a ticket speaks of captures that are not among those present."""
    missing = [name for name in ticket.captures if name not in present]
    if missing:
        lines = file.read_text(encoding="utf-8-sig").splitlines()
        free = [name for name in present if name not in ticket.captures]
        raise ConfigurationError([_not_there(str(file), name, lines, present, free) for name in missing])


def _innermost(folder: Path) -> Path:
    """Where a folder holds nothing but one other, as unpacked archives do, the inner one is meant."""
    for _ in range(20):
        entries = [entry for entry in folder.iterdir() if not entry.name.startswith(".")]
        if len(entries) != 1 or not entries[0].is_dir() or entries[0].is_symlink():
            break
        folder = entries[0]
    return folder


def _refuse_several_parts(folder: Path, ignored: list[Path], has_captures: bool) -> None:
    """Captures in sub-folders are another part, an earlier state, or the other sides: only a person can say."""
    found = (next(filter(_is_capture, sorted(entry.rglob("*"))), None) for entry in ignored if entry.is_dir())
    inside = [str(capture.relative_to(folder)) for capture in found if capture is not None]
    if inside:
        what = "holds captures both itself and" if has_captures else "holds its captures"
        raise UsageError(
            f"{folder} {what} in folders: {', '.join(inside[:5])}.",
            "A job is one part: drop each folder by itself, or put all captures of the part side by side.",
        )


def _refuse_unread_tickets(folder: Path) -> None:
    """A ticket that is not read leaves its job with the wrong unit and recipe, and nobody would know."""
    named = [
        file.relative_to(folder) for file in folder.rglob("*") if looks_like_a_ticket(file.name) and file.is_file()
    ]
    seen = sorted(str(file) for file in named if not any(step.startswith(".") for step in file.parts))
    unread = [name for name in seen if name != TICKET_FILE]
    if unread:
        what = f"{', '.join(unread[:5])} looks like a ticket, but only {TICKET_FILE} beside the captures is read."
        remedy = f"Name it {TICKET_FILE}, or take it out if it is no ticket of this job."
        raise UsageError(f"{folder}: {what}", remedy, code="ticket-misnamed")


def job_name(name: str) -> str:
    """The name as a folder may carry it on any share: no separators, no control characters, no leading point.

    At most 180 bytes long, so that names made from it stay within the 255 that file systems allow.
    """
    text = name.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    clean = re.sub(r'[\x00-\x1f\x7f/\\:*?"<>|]', "_", text).strip(" .")
    return clean.encode()[:180].decode("utf-8", "ignore").strip(" .") or "job"


def _series(stem: str) -> str | None:
    """What a numbered name has in common with the others of its series; None of a name without a number."""
    name = stem.rstrip("0123456789")
    return name if name != stem else None


def _is_capture(entry: Path) -> bool:
    return _is_named_as_capture(entry) and not is_words(entry)


def _is_named_as_capture(entry: Path) -> bool:
    for_people = entry.stem.lower() in _TEXT_FOR_PEOPLE or looks_like_a_ticket(entry.name)
    return entry.suffix.lower() in CAPTURE_SUFFIXES and not for_people


def _not_there(file: str, name: str, lines: list[str], present: list[str], free: list[str]) -> Mistake:
    """A capture that the ticket names; ``free`` are those present that it does not name, one of which may be meant."""
    line = next((i for i, text in enumerate(lines, 1) if name in text), 1)
    meant = nearest(name, free) or " Put it here, or take the entry out."
    there = f" Captures here: {', '.join(present)}"
    return Mistake(file, line, f"captures.{name}", f"there is no such capture.{meant}{there}")
