"""The pictures of one job: drawn once from the deliverable and its evidence, kept in ``previews/``."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.formats.evidence import EVIDENCE_FILE, Evidence, read_evidence
from pipeline.geometry.camera import aimed
from pipeline.geometry.coverage import DIRECTIONS, direction_coverage
from pipeline.geometry.deviation import sample_surface
from pipeline.geometry.evidence import Lookup
from pipeline.geometry.render import Shot, Studio
from pipeline.manifest import Manifest
from pipeline.part import BoolArray, ColourArray, FloatArray, Mesh, transformed
from pipeline.report import paint, palette
from pipeline.report.paint import Painter
from pipeline.report.surface import delivered_surface
from pipeline.report.view import write_view
from pipeline.storage import sha256_of, write_whole

PREVIEWS = "previews"
INDEX_FILE = "pictures.json"
VERSION = "1"
"""Raised when pictures would come out differently, so that old ones are drawn again."""
LARGE, SMALL, THUMB = (900, 700), (450, 350), (180, 140)
THUMB_FILE = f"{PREVIEWS}/thumb.webp"
SAMPLES = 40_000

Kind = Literal["shaded", "deviation", "filled", "sides"]
LARGE_VIEWS: dict[str, tuple[float, float, float]] = {
    "front right, from above": (0.55, -0.8, 0.5),
    "back left, from below": (-0.55, 0.8, -0.4),
}


class Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Drawing(Record):
    """One picture."""

    file: str
    kind: Kind
    view: str
    width: int
    height: int
    mm_per_pixel: float


class BandShare(Record):
    """A step of the deviation scale, and how much of the measured surface lies in it."""

    low_mm: float | None
    high_mm: float | None
    percent: float


class Pictures(Record):
    """What is drawn of a job, and what was counted on the way."""

    of: str
    """Hash of everything the pictures were made from."""
    surface: str
    """The file that was drawn."""
    drawings: tuple[Drawing, ...]
    thumb: str
    view: str | None
    """Script with the surface for turning it on the screen."""
    view_triangles: int = 0
    triangles: int
    size_mm: tuple[float, float, float]
    tolerance_mm: float | None = None
    bands: tuple[BandShare, ...] = ()
    coverage_percent: dict[str, float] | None = None
    """Measured share of what should face each direction."""
    unmeasured_percent: float | None = None
    cell_mm: float | None = None
    captures: tuple[str, ...] = ()

    def of_kind(self, kind: Kind, view: str | None = None) -> list[Drawing]:
        return [d for d in self.drawings if d.kind == kind and view in (None, d.view)]


def pictures_of(folder: Path, manifest: Manifest) -> Pictures | None:
    """The pictures of a finished job, drawn only where they are not there already; None without a deliverable."""
    if not manifest.deliverables:
        return None
    of = _fingerprint(folder, manifest)
    known = _known(folder / PREVIEWS / INDEX_FILE)
    if known is not None and known.of == of and _all_there(folder, known):
        return known
    surface = delivered_surface(folder, manifest)
    if surface is None or not len(surface.mesh.faces):
        return None
    return _Session(folder, manifest, of, surface.mesh, surface.file).draw()


def _fingerprint(folder: Path, manifest: Manifest) -> str:
    evidence = folder / EVIDENCE_FILE
    facts = {
        "version": VERSION,
        "deliverables": [(d.file, d.sha256) for d in manifest.deliverables],
        "pose": manifest.deliverable_from_part,
        "evidence": sha256_of(evidence) if evidence.is_file() else None,
        "tolerance": tolerance_of(manifest),
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def _known(file: Path) -> Pictures | None:
    try:
        return Pictures.model_validate_json(file.read_bytes())
    except (OSError, ValidationError):
        return None


def _all_there(folder: Path, known: Pictures) -> bool:
    names = [d.file for d in known.drawings] + [known.thumb] + ([known.view] if known.view else [])
    return all((folder / name).is_file() for name in names)


def tolerance_of(manifest: Manifest) -> float | None:
    """The tolerance that the deviations were judged by, mm."""
    for stage in manifest.stages:
        if stage.stage == "deviation-check" and "tolerance_mm" in stage.measures:
            return stage.measures["tolerance_mm"].value
    return None


@dataclass
class _Session:
    folder: Path
    manifest: Manifest
    of: str
    mesh: Mesh
    file: str

    def draw(self) -> Pictures:
        (self.folder / PREVIEWS).mkdir(exist_ok=True)
        self.evidence = read_evidence(self.folder)
        self.lookup = _lookup(self.evidence, self.manifest)
        self.tolerance = tolerance_of(self.manifest)
        studio = Studio(self.mesh.vertices, self.mesh.faces)
        drawings: list[Drawing] = []
        for k, (view, towards) in enumerate(LARGE_VIEWS.items()):
            drawings += self._large(studio.shoot(aimed(studio.used, towards, *LARGE)), view, f"view-{k + 1}")
        for view, towards in DIRECTIONS.items():
            painter = Painter(studio.shoot(aimed(studio.used, towards, *SMALL)))
            drawings.append(self._picture(painter, "shaded", view, view, painter.plain()))
        return self._record(drawings, np.ptp(studio.used, axis=0))

    def _large(self, shot: Shot, view: str, name: str) -> list[Drawing]:
        painter = Painter(shot)
        drawings = [self._picture(painter, "shaded", view, f"{name}-shaded", painter.plain())]
        filled = self.mesh.filled[shot.face]
        if self.lookup is not None:
            deviation, sides = self.lookup.at(shot.points[shot.first].astype(np.float64))
            deviation, sides = deviation[shot.pixel], sides[shot.pixel]
            filled |= sides == 0
            if self.tolerance is not None:
                colours = painter.banded(deviation, self.tolerance)
                drawings.append(self._picture(painter, "deviation", view, f"{name}-deviation", colours, 0.45))
            if self.evidence is not None and len(self.evidence.captures) > 1:
                colours = painter.by_side(sides)
                drawings.append(self._picture(painter, "sides", view, f"{name}-sides", colours, 0.6))
        if filled.any():
            drawings.append(self._picture(painter, "filled", view, f"{name}-filled", painter.hatched(filled), 0.8))
        return drawings

    def _picture(
        self, painter: Painter, kind: Kind, view: str, name: str, colours: ColourArray, contrast: float = 1.0
    ) -> Drawing:
        file, camera = f"{PREVIEWS}/{name}.webp", painter.shot.camera
        picture = painter.paint(colours, contrast)
        self._put(file, paint.encoded(picture))
        if kind == "shaded" and view == next(iter(LARGE_VIEWS)):
            self._put(THUMB_FILE, paint.encoded(paint.reduced(picture, *THUMB)))
        return Drawing(
            file=file,
            kind=kind,
            view=view,
            width=camera.width,
            height=camera.height,
            mm_per_pixel=round(camera.mm_per_pixel, 6),
        )

    def _put(self, file: str, data: bytes) -> None:
        write_whole(self.folder / file, data)

    def _record(self, drawings: list[Drawing], size: FloatArray) -> Pictures:
        places, face = sample_surface(self.mesh.vertices, self.mesh.faces, SAMPLES)
        deviation, sides = self.lookup.at(places) if self.lookup is not None else (None, None)
        measured: BoolArray | None = ~self.mesh.filled[face] if self.mesh.filled.any() else None
        if sides is not None:
            measured = (sides > 0) if measured is None else measured & (sides > 0)
        coverage = None
        if measured is not None:
            shares = direction_coverage(self.mesh.vertices, self.mesh.faces, face, measured)
            coverage = {name: round(share, 1) for name, share in shares.items()}
        view = write_view(self.folder / PREVIEWS, self.mesh, self.lookup, self.tolerance)
        record = Pictures(
            of=self.of,
            surface=self.file,
            drawings=tuple(drawings),
            thumb=THUMB_FILE,
            view=f"{PREVIEWS}/{view.file}",
            view_triangles=view.triangles,
            triangles=len(self.mesh.faces),
            size_mm=tuple(round(float(x), 3) for x in size),
            tolerance_mm=self.tolerance,
            bands=_band_shares(deviation, self.tolerance),
            coverage_percent=coverage,
            unmeasured_percent=None if measured is None else round(100 * float(1 - measured.mean()), 2),
            cell_mm=None if self.evidence is None else self.evidence.cell_mm,
            captures=() if self.evidence is None else self.evidence.captures,
        )
        write_whole(self.folder / PREVIEWS / INDEX_FILE, (record.model_dump_json(indent=1) + "\n").encode())
        return record


def _lookup(evidence: Evidence | None, manifest: Manifest) -> Lookup | None:
    if evidence is None or not len(evidence.places):
        return None
    places = transformed(evidence.places, np.array(manifest.deliverable_from_part))
    return Lookup(places, evidence.deviation, evidence.sides, evidence.cell_mm)


def _band_shares(deviation: FloatArray | None, tolerance: float | None) -> tuple[BandShare, ...]:
    if deviation is None or tolerance is None:
        return ()
    known = deviation[~np.isnan(deviation)]
    shares = []
    for band in palette.BANDS:
        low, high = band.low * tolerance, band.high * tolerance
        share = float(((known >= low) & (known < high)).mean()) if len(known) else 0.0
        bounds = [round(x, 6) if np.isfinite(x) else None for x in (low, high)]
        shares.append(BandShare(low_mm=bounds[0], high_mm=bounds[1], percent=round(100 * share, 2)))
    return tuple(shares)
