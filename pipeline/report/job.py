"""The page of one job."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path
from typing import Any

from pipeline.manifest import Manifest, read_manifest
from pipeline.report import account, words
from pipeline.report.advice import bench
from pipeline.report.captured import captured_pictures
from pipeline.report.drawn import drawn, shown_capture
from pipeline.report.note import NOTE_FILE, write_note
from pipeline.report.page import page
from pipeline.report.pictures import Pictures, pictures_of
from pipeline.report.site import LIBRARY, PAGE_FILE, Place, place_of, put_library
from pipeline.storage import write_whole

LOOKS = {"plain": "Surface", "band": "Deviation", "filled": "Never measured", "side": "Captures"}


def write_job_page(folder: Path, zone: tzinfo | None = None, home: Path | None = None) -> Path:
    """Write the previews, ``index.html`` and, where something is delivered, the delivery note of a finished job.

    Parameters
    ----------
    folder : of a finished job: manifest, deliverables, and ``evidence.ply`` where the recipe recorded it
    zone : time zone of the times on the page; None is the machine's own
    home : where the folder will lie, when it is written before it is published

    Returns
    -------
    The page. The same bytes every time, for the same folder.
    """
    manifest = read_manifest(folder)
    place = place_of(folder, zone, home)
    pictures = pictures_of(folder, manifest)
    if manifest.deliverables:
        write_note(place, manifest, pictures)
    captured = [shown_capture(drawing, name, manifest) for name, drawing in captured_pictures(folder, manifest)]
    facts = _facts(place, manifest, pictures) | {"captured": captured}
    scripts = ("view.js",) if pictures is not None else ()
    write_whole(folder / PAGE_FILE, page("job.html", scripts=scripts, job=facts))
    if pictures is not None:
        put_library(place)  # last: it is the largest, and what the page can best do without
    return folder / PAGE_FILE


def _facts(place: Place, manifest: Manifest, pictures: Pictures | None) -> dict[str, Any]:
    night = place.night(manifest)
    seconds = (manifest.finished - manifest.started).total_seconds()
    facts = [
        ("Job", manifest.job),
        ("Client", manifest.client),
        ("Operator", manifest.operator),
        ("Recipe", manifest.recipe.name),
        ("Finished", words.moment(manifest.finished, place.zone)),
        ("Took", words.duration(seconds)),
        *account.sizes(manifest, pictures.size_mm if pictures else None),
    ]
    looks = ["plain"]
    if pictures is not None:
        looks += ["band"] if pictures.of_kind("deviation") else []
        looks += ["filled"] if pictures.of_kind("filled") else []
        looks += ["side"] if pictures.of_kind("sides") else []
    return {
        "title": f"{manifest.part}: {words.OUTCOME_WORDS[manifest.outcome].lower()}",
        "part": manifest.part,
        "outcome": str(manifest.outcome),
        "facts": [(name, value) for name, value in facts if value],
        "night": {"address": night[0], "words": night[1]} if night else None,
        "note": NOTE_FILE if manifest.deliverables else None,
        "reasons": account.reasons(manifest),
        "places": account.places(manifest),
        "bench": bench(manifest),
        "pictures": drawn(pictures, manifest) if pictures is not None else None,
        "looks": [(look, LOOKS[look]) for look in looks],
        "library": f"{place.shared_address}/{LIBRARY}",
        "limits": account.limits(manifest),
        "stages": account.stages(manifest),
        "deliverables": account.deliverables(manifest),
        "captures": account.captures(manifest),
        "ignored": ", ".join(manifest.ignored),
        "ticket": account.ticket(manifest),
        "footer": f"Worked on {manifest.host} with "
        + ", ".join(f"{name} {version}" for name, version in manifest.software.items()),
    }
