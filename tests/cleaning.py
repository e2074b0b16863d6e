"""Labelled scenes for the tests of cleaning: simulated once, worked by any of its stages."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.part import Capture, Declared, Part
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.scanner import Scanner, SimulatedCapture, scan
from pipeline.simulate.scene import Label, Scene
from pipeline.stage import Stage, StageContext
from pipeline.stages.clutter_removal import ClutterRemoval
from pipeline.stages.outlier_removal import OutlierRemoval
from pipeline.stages.plane_strip import PlaneStrip

CHAIN = (OutlierRemoval(), PlaneStrip(), ClutterRemoval())


@cache
def simulated(
    fitting: str,
    seed: int = 3,
    points: int = 60_000,
    noise_mm: float = 0.05,
    density: float = 1.0,
    form: Any = "cloud",
    normals: bool = True,
    **scene: Any,
) -> SimulatedCapture:
    """A scene with one of the invented fittings, always the same for the same wishes."""
    return scan(
        Scene(part=FITTINGS[fitting](seed), seed=seed, spin_deg=31.0 * seed, **scene),
        points=points,
        noise_mm=noise_mm,
        seed=seed,
        scanner=Scanner(density_ratio=density),
        form=form,
        normals=normals,
    )


def worked(
    capture: Capture, *stages: Stage, declared: Declared | None = None, folder: Path | None = None
) -> tuple[Capture, list[StageContext]]:
    """A capture after some stages (all of cleaning when none are named), and what each told."""
    part, told = Part("part", (capture,), declared=declared or Declared()), []
    with tempfile.TemporaryDirectory() as scratch:
        for stage in stages or CHAIN:
            context = StageContext(np.random.default_rng(0), folder or Path(scratch), type(stage).all_measures())
            part = stage.apply(part, context)
            told.append(context)
    return part.captures[0], told


def doubts(told: list[StageContext]) -> list[str]:
    """The codes of all that was doubted."""
    return [reason.code for context in told for reason in context.reasons]


def kept(before: Capture, after: Capture) -> np.ndarray:
    """(n,) which points are still there: stages only take away and keep the order."""
    rows = {row.tobytes(): k for k, row in enumerate(before.points)}
    keep = np.zeros(len(before.points), bool)
    keep[[rows[row.tobytes()] for row in after.points]] = True
    return keep


def recall(shot: SimulatedCapture, after: Capture) -> float:
    """Share of the part's points that were kept."""
    return float(kept(shot.capture, after)[shot.labels == Label.PART].mean())


def foreign(shot: SimulatedCapture, after: Capture) -> float:
    """Share of what was kept that lies further than 1 mm from all of the part's points."""
    from scipy.spatial import cKDTree

    keep = kept(shot.capture, after)
    own = shot.labels == Label.PART
    strangers = shot.capture.points[keep & ~own]
    far = cKDTree(shot.capture.points[own]).query(strangers)[0] > 1.0 if len(strangers) else np.zeros(0, bool)
    return float(far.sum() / max(keep.sum(), 1))
