"""The delivery note: one page for the client, in one file, to be printed or sent with the deliverables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.errors import Outcome
from pipeline.manifest import Manifest
from pipeline.report import account, paint, palette, words
from pipeline.report.drawn import shown
from pipeline.report.page import data_address, page
from pipeline.report.pictures import Drawing, Pictures
from pipeline.report.site import Place
from pipeline.storage import write_whole

NOTE_FILE = "delivery-note.html"
LETTERHEAD = "letterhead.txt"
"""In the site's folder: the shop's name in the first line, then address and whatever else belongs there."""
SMALL_VIEWS = ("front", "left", "top")


def write_note(place: Place, manifest: Manifest, pictures: Pictures | None) -> Path:
    """Write the delivery note of a job that has deliverables; it stands alone, pictures inside."""
    facts = {
        "part": manifest.part,
        "client": manifest.client,
        "job": manifest.job,
        "date": words.day(manifest.finished.astimezone(place.zone).date()),
        "held": manifest.outcome is not Outcome.ACCEPTED,
        "sender": _letterhead(place),
        "files": account.deliverables(manifest),
        "statements": statements(manifest, pictures),
        "size": _sizes(manifest, pictures),
        "software": manifest.software.get("nightmill", ""),
    }
    facts |= _pictures(place.folder, manifest, pictures)
    write_whole(place.folder / NOTE_FILE, page("note.html", note=facts))
    return place.folder / NOTE_FILE


def statements(manifest: Manifest, pictures: Pictures | None) -> list[tuple[str, str]]:
    """What the client should know of the surface, in plain words: what it is about, and what was found."""
    said: list[tuple[str, str]] = []
    points = sum(capture.points for capture in manifest.captures)
    captures = words.plural(len(manifest.captures), "capture")
    said.append(("Measured", f"From {captures} with {words.plural(points, 'point')}, by structured light."))
    p95, p99 = (account.measured(manifest, "deviation-check", name) for name in ("p95_mm", "p99_mm"))
    if p95 is not None and p99 is not None:
        text = f"95 % of the captured points lie within {words.number(p95, 'mm')} of the delivered surface, "
        said.append(("Agreement", f"{text}99 % within {words.number(p99, 'mm')}."))
    tolerance = manifest.ticket.get("tolerance_mm")
    beyond = account.measured(manifest, "deviation-check", "beyond_tolerance_percent")
    if tolerance is not None and beyond is not None:
        text = f"{words.number(tolerance, 'mm')}; {words.number(beyond, 'percent')} of the points lie beyond it."
        said.append(("Tolerance agreed", text))
    share = account.measured(manifest, "deviation-check", "unmeasured_percent")
    if share is None and pictures is not None:
        share = pictures.unmeasured_percent
    if share is not None:
        text = f"{words.number(share, 'percent')} of the surface could not be seen by the scanner and was closed by "
        text += "calculation; it is hatched in the picture."
        said.append(("Never measured", text if share > 0 else "Nothing: all of the surface was measured."))
    closed = all(record.watertight for record in manifest.deliverables)
    text = "Closed and watertight." if closed else "Open where nothing was measured."
    said.append(("Surface", text))
    return said


def _sizes(manifest: Manifest, pictures: Pictures | None) -> list[tuple[str, str]]:
    told = account.sizes(manifest, pictures.size_mm if pictures else None)
    return [(f"{name} (width × depth × height)", value) for name, value in told]


def _pictures(folder: Path, manifest: Manifest, pictures: Pictures | None) -> dict[str, Any]:
    if pictures is None:
        return {"hero": None, "small": [], "filled": None, "hatched": ""}

    def whole(drawing: Drawing) -> dict[str, Any]:
        return shown(drawing, manifest.part, folder)

    shaded = pictures.of_kind("shaded")
    filled = pictures.of_kind("filled")
    return {
        "hero": whole(shaded[0]),
        "small": [whole(drawing) for drawing in shaded if drawing.view in SMALL_VIEWS],
        "filled": whole(filled[0]) if filled else None,
        "hatched": data_address(paint.swatch((palette.FILLED,), "hatch"), "png"),
    }


def _letterhead(place: Place) -> tuple[str, str] | None:
    """The shop's name, and the lines below it."""
    file = place.site / LETTERHEAD if place.site else None
    if file is None or not file.is_file():
        return None
    name, _, rest = file.read_text(encoding="utf-8-sig").strip().partition("\n")
    return name.strip(), rest.strip()
