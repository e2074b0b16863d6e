"""``manifest.json``: everything that was done, measured and written for one job."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import Outcome, UsageError
from pipeline.part import Unit
from pipeline.storage import sha256_of, write_whole

MANIFEST_FILE = "manifest.json"
Transform = tuple[tuple[float, float, float, float], ...]


class Record(BaseModel):
    """Base of the manifest's parts: frozen and closed, documented by its attributes."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class ReasonRecord(Record):
    """Why the job is not simply accepted."""

    code: str
    """Short name for scripts."""
    text: str
    """What was found, in plain words."""
    remedy: str
    """What to do about it."""
    outcome: Outcome
    """The outcome that this reason alone brings."""
    capture: str | None = None
    """The capture it is about, when it is about one."""


class CaptureRecord(Record):
    """One capture as it came in."""

    file: str
    sha256: str
    bytes: int
    points: int
    """Points in the file."""
    unit: Unit
    """Unit its coordinates were read in."""
    part_from_capture: Transform | None = None
    """Rigid motion from the capture's frame into the part's, millimetres; left out where it was not found."""


class MeasureRecord(Record):
    """A measured number."""

    value: float
    unit: str


class OfCapturesRecord(Record):
    """What was measured of one capture, or of a pair."""

    captures: tuple[str, ...]
    measures: dict[str, MeasureRecord]


class StageRecord(Record):
    """What one stage did."""

    stage: str
    seconds: float
    """Wall time."""
    cpu_seconds: float
    """Processor time of all threads."""
    peak_mib: float
    """Largest resident memory of the process while the stage ran."""
    measures: dict[str, MeasureRecord]
    of_captures: tuple[OfCapturesRecord, ...] = ()
    """The same measures of single captures and of pairs."""
    warnings: tuple[str, ...] = ()


class DeliverableRecord(Record):
    """One file that goes to the client."""

    file: str
    format: str
    unit: Unit
    bytes: int
    sha256: str
    triangles: int
    watertight: bool


class RecipeRecord(Record):
    """The recipe as it was resolved: every parameter with its value."""

    name: str
    sha256: str
    """Hash of the resolved recipe; equal recipes have equal hashes whatever their comments."""
    stages: tuple[dict[str, Any], ...]
    limits: tuple[dict[str, Any], ...] = ()


class Manifest(Record):
    """Written last, whole or not at all: its presence means that the job is finished."""

    manifest: Literal[1] = 1
    job: str
    part: str
    client: str | None = None
    operator: str | None = None
    outcome: Outcome
    reasons: tuple[ReasonRecord, ...] = ()
    recipe: RecipeRecord
    ticket: dict[str, Any] = Field(default_factory=dict)
    """The ticket as it was read."""
    software: dict[str, str]
    """Versions of the program, Python and the libraries that do the work."""
    captures: tuple[CaptureRecord, ...] = ()
    deliverable_from_part: Transform
    """Rigid motion from the part's frame into the deliverables'."""
    stages: tuple[StageRecord, ...] = ()
    deliverables: tuple[DeliverableRecord, ...] = ()
    ignored: tuple[str, ...] = ()
    """Files in the job's folder that are no captures; kept with them, not worked on."""
    content_sha256: str | None = None
    """Hash of names, sizes and hashes of all the job's files as a site took them in."""
    attempt: int = 1
    """Which attempt of the site at this job gave the result."""
    started: datetime
    finished: datetime
    host: str

    def write(self, folder: Path) -> None:
        """Write ``manifest.json`` into a folder: whole or not at all."""
        write_whole(folder / MANIFEST_FILE, (self.model_dump_json(indent=1, exclude_none=True) + "\n").encode())


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a finished job. Raises UsageError when there is none or it is not one of ours."""
    file = folder / MANIFEST_FILE
    try:
        return Manifest.model_validate_json(file.read_bytes())
    except OSError as error:
        raise UsageError(f"{file} cannot be read: {error.strerror}.", "Give the folder of a finished job.") from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise UsageError(f"{file} is not a manifest: {where}: {first['msg']}.", "Work the job again.") from error


def differences(folder: Path, manifest: Manifest) -> list[str]:
    """What is not as the manifest says: missing or altered deliverables, one line each."""
    found: list[str] = []
    for record in manifest.deliverables:
        file = folder / record.file
        if not file.is_file():
            found.append(f"{file}: missing")
        elif file.stat().st_size != record.bytes:
            found.append(f"{file}: {file.stat().st_size} bytes, delivered with {record.bytes}")
        elif sha256_of(file) != record.sha256:
            found.append(f"{file}: altered since it was delivered")
    return found


def now() -> datetime:
    """The present, in UTC (RFC 3339 when written)."""
    return datetime.now(UTC).replace(microsecond=0)
