"""Pictures of the captures of a job that delivered nothing: as they were when the work ended."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.formats.evidence import Evidence, read_evidence
from pipeline.geometry.camera import aimed
from pipeline.geometry.render import Studio
from pipeline.geometry.shingles import shingled
from pipeline.manifest import Manifest
from pipeline.part import FloatArray
from pipeline.report import paint, palette
from pipeline.report.paint import Painter
from pipeline.report.pictures import LARGE_VIEWS, PREVIEWS, SMALL, THUMB, THUMB_FILE, Drawing
from pipeline.storage import write_whole

MOST = 12
FEWEST_POINTS = 20


def captured_pictures(folder: Path, manifest: Manifest) -> list[tuple[str, Drawing]]:
    """Each capture seen from above, with its name; empty when something was delivered or nothing is known."""
    evidence = None if manifest.deliverables else read_evidence(folder)
    if evidence is None:
        return []
    drawings: list[tuple[str, Drawing]] = []
    for k, name in enumerate(evidence.captures[:MOST]):
        points = evidence.places[(evidence.sides >> min(k, 31)) & 1 == 1]
        if len(points) >= FEWEST_POINTS:
            drawings.append((name, _drawn(folder, f"capture-{k + 1}", evidence, points, thumb=not drawings)))
    return drawings


def _drawn(folder: Path, name: str, evidence: Evidence, points: FloatArray, *, thumb: bool) -> Drawing:
    mesh = shingled(points, evidence.cell_mm)
    studio = Studio(mesh.vertices, mesh.faces)
    view, towards = next(iter(LARGE_VIEWS.items()))
    painter = Painter(studio.shoot(aimed(studio.used, towards, *SMALL)))
    one_colour = np.tile(np.array(palette.PUTTY, np.uint8), (len(painter.shot.face), 1))  # points have no inside
    picture = painter.paint(one_colour, 0.8)
    (folder / PREVIEWS).mkdir(exist_ok=True)
    file = f"{PREVIEWS}/{name}.webp"
    write_whole(folder / file, paint.encoded(picture))
    if thumb:
        write_whole(folder / THUMB_FILE, paint.encoded(paint.reduced(picture, *THUMB)))
    camera = painter.shot.camera
    scale = round(camera.mm_per_pixel, 6)
    return Drawing(file=file, kind="shaded", view=view, width=SMALL[0], height=SMALL[1], mm_per_pixel=scale)
