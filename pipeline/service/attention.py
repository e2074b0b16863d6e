"""``REASON.txt``: why a job is not simply accepted, in plain words, and what to do."""

from __future__ import annotations

import textwrap
from pathlib import Path

from pipeline.manifest import Manifest
from pipeline.site import Site
from pipeline.storage import write_whole

REASON_FILE = "REASON.txt"

_MEANING = {
    "review": "delivered, but a person should look at it before it goes out",
    "rescan": "the captures cannot give the part; it must be scanned again",
    "failed": "no result: a technical fault, a file that cannot be used, or a question that only a person can answer",
}


def write_reason(folder: Path, manifest: Manifest, site: Site) -> None:
    """Write the reasons beside the result; not for accepted jobs."""
    if manifest.outcome in _MEANING:
        write_whole(folder / REASON_FILE, reason_text(manifest, site).encode())


def reason_text(manifest: Manifest, site: Site) -> str:
    """What REASON.txt says."""
    lines = [f"{manifest.job}: {manifest.outcome}", f"({_MEANING[manifest.outcome]})", ""]
    for reason in manifest.reasons:
        about = f"{reason.capture}: " if reason.capture and reason.capture not in reason.text else ""
        lines.append(_filled(f"{about}{reason.text}", ""))
        if reason.remedy:
            lines.append(_filled(f"What to do: {reason.remedy}", "  "))
        lines.append("")
    lines += [
        f"The captures lie untouched in {site.raw / manifest.job}",
        "When what is named above is mended (the captures and their ticket.yaml there), have the job worked again with",
        f"  nightmill requeue {site.root} {manifest.job}",
        "and with another recipe by adding --recipe NAME. New captures of the part are dropped into the inbox as ever.",
    ]
    return "\n".join(lines) + "\n"


def _filled(text: str, indent: str) -> str:
    return textwrap.fill(
        text, 100, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
