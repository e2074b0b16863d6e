"""Jobs as a boatyard's operators would drop them: folders of captures with a ticket, or a single file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import yaml

from pipeline.part import MM_PER_UNIT, Unit, transformed
from pipeline.simulate.exports import export
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.lumps import with_lumps
from pipeline.simulate.poses import inverse
from pipeline.simulate.scanner import Scanner, SimulatedCapture, scan_sides
from pipeline.simulate.scene import Scene


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What to simulate and how it is handed in.

    Attributes
    ----------
    name : of the job's folder, or of its single file
    fitting, shape : the kind of part and the seed of its proportions (None: nominal)
    lumps : marker lumps stuck on it; their places go into the ticket
    sides : which way up it lies in each capture
    points, noise_mm : of each capture
    seed : for everything drawn by chance
    bench : what else lies on the bench, as arguments of ``Scene``
    scanner : instrument and orbit
    suffix, form : what kind of file each capture is
    unit : the unit the files are really in; the ticket may say another
    aligned : all captures share the part's frame
    ticket : more lines for the ticket, over those the simulation knows; None for a single file without one
    """

    name: str
    fitting: str
    shape: int | None = None
    lumps: int = 0
    sides: tuple[str, ...] = ("top", "bottom", "left")
    points: int = 60_000
    noise_mm: float = 0.05
    seed: int = 0
    bench: Mapping[str, Any] = field(default_factory=dict)
    scanner: Scanner = field(default_factory=Scanner)
    suffix: str = ".ply"
    form: Literal["cloud", "mesh"] = "cloud"
    normals: bool = False
    colours: bool = False
    unit: Unit = "mm"
    aligned: bool = True
    ticket: Mapping[str, Any] | None = field(default_factory=dict)


def write_job(inbox: Path, job: Job) -> tuple[SimulatedCapture, ...]:
    """Write a job's files into an inbox and give the truth about them."""
    part, tops = FITTINGS[job.fitting](job.shape), np.zeros((0, 3))
    if job.lumps:
        part, tops = with_lumps(part, job.lumps, seed=job.seed)
    simulated = scan_sides(
        Scene(part=part, seed=job.seed, **job.bench),
        job.sides,
        points=job.points,
        noise_mm=job.noise_mm,
        seed=job.seed,
        scanner=job.scanner,
        aligned=job.aligned,
        form=job.form,
        normals=job.normals,
        colours=job.colours,
    )
    folder = inbox if job.ticket is None else inbox / job.name
    folder.mkdir(parents=True, exist_ok=True)
    names = [f"{job.name if job.ticket is None else f'side-{k + 1}'}{job.suffix}" for k in range(len(simulated))]
    simulated = tuple(
        replace(
            one,
            capture=replace(one.capture, name=name, markers=transformed(tops, inverse(one.part_from_capture))),
        )
        for one, name in zip(simulated, names, strict=True)
    )
    for one in simulated:
        export(one.capture, folder, job.unit)
    if job.ticket is not None:
        size = sorted((round(float(x), 1) for x in np.ptp(part.vertices, axis=0)), reverse=True)
        text = yaml.safe_dump(_ticket(job, simulated, size), sort_keys=False, allow_unicode=True, width=100)
        (folder / "ticket.yaml").write_text(text, encoding="utf-8")
    return simulated


def _ticket(job: Job, simulated: tuple[SimulatedCapture, ...], size: list[float]) -> dict[str, Any]:
    captures: dict[str, dict[str, Any]] = {}
    for side, one in zip(job.sides, simulated, strict=True):
        captures[one.capture.name] = {"side": side, "frames": 900, "frames_per_second": 20}
        if len(one.capture.markers):
            captures[one.capture.name]["markers"] = np.round(one.capture.markers / MM_PER_UNIT[job.unit], 3).tolist()
    known: dict[str, Any] = {"unit": job.unit, "aligned": job.aligned, "expected_size_mm": size, "captures": captures}
    if job.bench.get("riser", "none") != "none":
        known["riser_height_mm"] = job.bench.get("riser_height_mm", 40.0)
    return {**known, **(job.ticket or {})}


_CLOSE = Scanner(field_ratio=1.1)
_BENCH = {"client": "boatyard stores", "setting": "bench 2", "surface_preparation": "matting spray"}

EXAMPLE: tuple[Job, ...] = (
    Job(
        name="rudder-gudgeon",
        fitting="gudgeon",
        points=100_000,
        seed=1,
        bench={"riser": "block", "riser_height_mm": 40.0, "paper": "free"},
        scanner=_CLOSE,
        ticket={**_BENCH, "part": "rudder gudgeon, work boat", "recipe": "replica", "tolerance_mm": 0.3},
    ),
    Job(
        name="tiller-swan",
        fitting="swan-finial",
        sides=("top", "bottom", "left"),
        points=90_000,
        seed=2,
        bench={"riser": "block", "riser_height_mm": 30.0, "paper": "free"},
        scanner=_CLOSE,
        colours=True,
        ticket={**_BENCH, "part": "carved swan from a tiller's end", "recipe": "archive", "notes": "left wing chipped"},
    ),
    Job(
        name="bilge-pipe-tee",
        fitting="pipe-tee",
        points=30_000,
        seed=3,
        bench={"paper": "touching"},
        scanner=_CLOSE,
        suffix=".xyz",
        aligned=False,
        ticket={**_BENCH, "part": "tee of the bilge line, through bores stay open", "recipe": "replica"},
    ),
    Job(
        name="mooring-cleat",
        fitting="mooring-cleat",
        sides=("top", "bottom"),
        points=12_000,
        seed=4,
        bench={"riser": "block", "riser_height_mm": 30.0},
        scanner=_CLOSE,
        normals=True,
        unit="in",
        ticket={
            **_BENCH,
            "part": "mooring cleat",
            "recipe": "replica",
            "unit": "mm",
            "notes": "export settings of the laptop",
        },
    ),
    Job(
        name="nameplate",
        fitting="nameplate",
        sides=("top",),
        points=22_000,
        seed=5,
        scanner=Scanner(field_ratio=0.95),
        suffix=".stl",
        form="mesh",
        ticket=None,
    ),
)
"""Three parts that can be made, one exported in inches while its ticket says millimetres, one mesh without a ticket."""


def write_example_inbox(folder: Path) -> None:
    """Write the example inbox anew; files of the same names are replaced."""
    for job in EXAMPLE:
        write_job(folder, job)
