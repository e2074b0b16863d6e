"""One recipe on one job: read, work the chain, judge by the limits, account for everything in the manifest."""

from __future__ import annotations

import hashlib
import json
import platform
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import machine
from pipeline.errors import JobStopped, NightmillError, Outcome
from pipeline.formats import CAPTURE_SUFFIXES, ReadLimits, read_capture
from pipeline.formats.evidence import Evidence, write_evidence
from pipeline.geometry.extent import boxes_around
from pipeline.geometry.gauge import gauge
from pipeline.geometry.shingles import standing
from pipeline.geometry.size import sizes
from pipeline.job import Job
from pipeline.manifest import (
    CaptureRecord,
    DeliverableRecord,
    Manifest,
    MeasureRecord,
    OfCapturesRecord,
    ReasonRecord,
    RecipeRecord,
    StageRecord,
    Transform,
    now,
)
from pipeline.part import MM_PER_UNIT, Capture, Deliverable, FloatArray, Part, Unit, frozen_array
from pipeline.places import in_words
from pipeline.recipe import Recipe
from pipeline.stage import Reason, Stage, StageContext
from pipeline.storage import FULL, sha256_of
from pipeline.ticket import TicketCapture
from pipeline.units import Doubt, fineness_doubt, robust_extent_mm, scene_doubt, size_doubt

Progress = Callable[[str, int, int], None]
"""Told before each step: what begins, its place in the chain, the length of the chain."""

READ_STEP = "read"
UNIT_UNSURE = "unit-unsure"
UNIT_REMEDY = (
    "Write the right unit (mm, cm, m or in) into ticket.yaml, or mend expected_size_mm, and work the job again."
)
ODD_UNIT_REMEDY = (
    "All captures of a job are in one unit, and others of this job fit in theirs. Export this one again in the unit "
    "of the others, and work the job again."
)
SURE_SIZE_REMEDY = (
    "Look at the size of the result. Write the part's size as expected_size_mm, and the unit of the files, into "
    "ticket.yaml, and work the job again."
)
FILE_REMEDY = (
    "No unit fits. Look at what the file holds and export the capture again, or mend expected_size_mm in ticket.yaml, "
    "and work the job again."
)
SIZE_REMEDY = (
    "Look at the pictures. Was something left in or cut off? Clean it away by the recipe (plane-strip, "
    "clutter-removal), or scan again. Is it the part? Then mend expected_size_mm in ticket.yaml, and work "
    "the job again."
)


@dataclass(slots=True)
class Account:
    """What is known of a job while it runs; becomes the manifest."""

    started: datetime = field(default_factory=now)
    captures: list[CaptureRecord] = field(default_factory=list)
    stages: list[StageRecord] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)

    def outcome(self) -> Outcome:
        return max((reason.outcome for reason in self.reasons), key=lambda o: o.severity, default=Outcome.ACCEPTED)


def run_job(job: Job, recipe: Recipe, folder: Path, progress: Progress, limits: ReadLimits | None = None) -> Manifest:
    """Work a recipe on a job.

    Deliverables are written into ``folder``; none are left there when the outcome is rescan or failed. Never
    raises for what the captures or the stages do: that is what outcomes and reasons are for.

    Parameters
    ----------
    job, recipe : what to work, and how
    folder : an empty folder of the job's own
    progress : told before each step
    limits : how large a capture file may be

    Returns
    -------
    The manifest, not yet written.
    """
    account = Account()
    part = Part(job.part, (), declared=job.ticket.declared())
    step = READ_STEP
    try:
        steps = len(recipe.stages) + 1
        progress(step, 0, steps)
        part = part.with_captures(_read(job, recipe, account, limits or ReadLimits()))
        account.reasons += _doubts_of_the_drop(job, account.captures)
        seed = [int(record.sha256[:8], 16) for record in account.captures]
        for i, stage in enumerate(recipe.stages):
            step = stage.stage
            progress(step, i + 1, steps)
            context = _context(stage, [*seed, i], folder)
            unmeshed = part.mesh is None
            part = _run_stage(stage, part, context, account)
            if unmeshed:
                _judge_size(part, _unit(job, recipe))
        account.reasons += _broken_limits(recipe, account)
        _judge_size(part, _unit(job, recipe))
    except JobStopped as stop:
        account.reasons.append(Reason(stop.outcome, stop.code, stop.text, stop.remedy, stop.capture))
    except NightmillError as error:
        account.reasons.append(Reason(Outcome.FAILED, error.code, error.text, error.remedy))
    except MemoryError:
        text = f"The memory allowed for a job was used up in {step}."
        account.reasons.append(Reason(Outcome.FAILED, "memory", text, "Allow more memory, or export fewer points."))
    except OSError as error:
        account.reasons.append(_disk_full(step, error) if error.errno in FULL else _defect(step, error))
    except Exception as error:
        account.reasons.append(_defect(step, error))
    account.reasons = _unit_first(account.reasons)
    if account.outcome() in (Outcome.RESCAN, Outcome.FAILED):
        _withdraw(part.deliverables, folder)
        part = replace(part, deliverables=())
        _keep_captures(part.captures, folder)
    return manifest_of(job, recipe, account, part)


def _keep_captures(captures: tuple[Capture, ...], folder: Path) -> None:
    """What is left of the captures, for the pictures of a job that delivers nothing."""
    captures = tuple(capture for capture in captures if len(capture.points))
    if captures:
        places, sides, cell = standing(captures)
        unknown = np.full(len(places), np.nan)
        write_evidence(folder, Evidence(places, unknown, sides, tuple(c.name for c in captures), cell))


def _withdraw(deliverables: tuple[Deliverable, ...], folder: Path) -> None:
    """A part that cannot be delivered leaves nothing that somebody might deliver."""
    for deliverable in deliverables:
        (folder / deliverable.file).unlink()


def _unit(job: Job, recipe: Recipe) -> Unit:
    return job.ticket.unit or recipe.unit or "mm"


def _read(job: Job, recipe: Recipe, account: Account, limits: ReadLimits) -> list[Capture]:
    """Every capture in millimetres. Unreadable ones are all named before the job ends."""
    captures: list[Capture] = []
    unit = _unit(job, recipe)
    for path in job.captures:
        try:
            capture = read_capture(path, mm_per_unit=MM_PER_UNIT[unit], limits=limits)
        except NightmillError as error:
            account.reasons.append(Reason(Outcome.FAILED, error.code, error.text, error.remedy, path.name))
            continue
        capture = _with_ticket(capture, job.ticket.captures.get(path.name), unit)
        account.captures.append(
            CaptureRecord(
                file=path.name,
                sha256=sha256_of(path),
                bytes=path.stat().st_size,
                points=len(capture.points),
                unit=unit,
            )
        )
        captures.append(capture)
    if account.reasons:
        first = account.reasons.pop(0)
        raise JobStopped(first.outcome, first.code, first.text, first.remedy, first.capture)
    account.reasons += _judge_scenes(captures, job, unit)
    return captures


def _doubts_of_the_drop(job: Job, captures: list[CaptureRecord]) -> list[Reason]:
    """What looks as if other captures had been meant: one exported twice, one in a format that is not read."""
    doubts: list[Reason] = []
    if job.left_out:
        text = f"{', '.join(job.left_out)}: named as the captures are, but in no format that is read; worked without."
        remedy = f"Export it anew as one of {' '.join(sorted(CAPTURE_SUFFIXES))}, or take it out, and drop all again."
        doubts.append(Reason(Outcome.REVIEW, "capture-left-out", text, remedy))
    same: dict[str, list[str]] = {}
    for record in captures:
        same.setdefault(record.sha256, []).append(record.file)
    for files in same.values():
        if len(files) > 1:
            text = f"{', '.join(files)} are one and the same file."
            remedy = "Look whether another side was meant, export that one, and drop all captures again."
            doubts.append(Reason(Outcome.REVIEW, "same-capture", text, remedy))
    return doubts


def _with_ticket(capture: Capture, known: TicketCapture | None, unit: Unit) -> Capture:
    """The capture with what the ticket says of it."""
    if known is None:
        return capture
    markers, datum = (
        frozen_array(np.asarray(points, float).reshape(-1, 3) * MM_PER_UNIT[unit], np.float64)
        for points in (known.markers, known.datum)
    )
    return replace(
        capture,
        markers=markers,
        datum_points=datum,
        frames=known.frames,
        frames_per_second=known.frames_per_second,
    )


def _judge_scenes(captures: list[Capture], job: Job, unit: Unit) -> list[Reason]:
    """Stop with a question where the unit cannot be right, and doubt it where another is likelier.

    A scene may be larger than its part, never much smaller.
    """
    doubts: list[Reason] = []
    wrong: list[tuple[Capture, Doubt]] = []
    expected = job.ticket.declared().expected_size_mm
    largest = None if expected is None else max(expected)
    for capture in captures:
        if len(capture.points) < 50:
            text = f"{capture.name} has only {len(capture.points)} points: too few to be a surface."
            raise JobStopped(
                Outcome.RESCAN, "capture-empty", text, "Export the capture again, or scan again.", capture.name
            )
        extent, lengths = robust_extent_mm(capture.points), gauge(capture.points)
        doubt = scene_doubt(extent, lengths.spacing, unit, largest)
        if doubt is not None:
            wrong.append((capture, doubt))
        if doubt is not None or largest is not None or capture.faces is not None or doubts:
            continue  # the noise of a mesh is what the exporting software left of it
        fine = fineness_doubt(extent, lengths.spacing, lengths.noise, unit)
        if fine is not None:
            text = f"Is the unit right? {capture.name}: {fine.text}."
            doubts.append(Reason(Outcome.REVIEW, UNIT_UNSURE, text, SURE_SIZE_REMEDY, capture.name))
    if wrong:
        capture, doubt = wrong[0]
        alone = len(wrong) < len(captures)
        unit_remedy = ODD_UNIT_REMEDY if alone else UNIT_REMEDY
        text = f"{capture.name}: {doubt.text}."
        raise _question(doubt, text, "Is this the right file?", FILE_REMEDY, capture.name, unit_remedy)
    return doubts


def _unit_first(reasons: list[Reason]) -> list[Reason]:
    """Where nothing can be delivered and the unit is doubted, that is asked: in a wrong one no scan can be judged."""
    if max((reason.outcome.severity for reason in reasons), default=0) != Outcome.RESCAN.severity:
        return reasons
    return [
        replace(reason, outcome=Outcome.FAILED, code="unit-question", remedy=UNIT_REMEDY)
        if reason.code == UNIT_UNSURE
        else reason
        for reason in reasons
    ]


def _judge_size(part: Part, unit: Unit) -> None:
    """Once there is a mesh of the part, it must be as large as the ticket says, however it was held to be measured.

    That may be the whole or what was seen of it: what nobody scanned was filled, and may bulge.
    """
    if part.mesh is None or part.declared.expected_size_mm is None:
        return
    expected, mesh = part.declared.expected_size_mm, part.mesh
    boxes = boxes_around(mesh.vertices)
    smallest = boxes[np.argmin(boxes.prod(axis=1))]
    doubt = size_doubt(smallest.tolist(), expected, unit)
    # Hands measure a thing as it stands, and that of a leaning one is not its smallest box.
    if doubt is None or any(size_doubt(box, expected, unit) is None for box in boxes.tolist()):
        return
    seen = mesh.vertices[np.unique(mesh.faces[~mesh.filled])]
    if len(seen) and any(size_doubt(box, expected, unit) is None for box in boxes_around(seen).tolist()):
        return
    text = f"{doubt.text[0].upper()}{doubt.text[1:]}."
    raise _question(doubt, text, "Is this the part, and nothing else?", SIZE_REMEDY)


def _question(
    doubt: Doubt,
    text: str,
    otherwise: str,
    remedy: str,
    capture: str | None = None,
    unit_remedy: str = UNIT_REMEDY,
) -> JobStopped:
    """What only a person can answer: the unit, where another would fit, else what ``otherwise`` asks."""
    if doubt.fitting:
        return JobStopped(Outcome.FAILED, "unit-question", f"Is the unit right? {text}", unit_remedy, capture)
    return JobStopped(Outcome.FAILED, "size-question", f"{otherwise} {text}", remedy, capture)


def _context(stage: Stage, seed: list[int], folder: Path) -> StageContext:
    return StageContext(rng=np.random.default_rng(seed), folder=folder, declared=type(stage).all_measures())


def _run_stage(stage: Stage, part: Part, context: StageContext, account: Account) -> Part:
    """Run one stage, timed and measured; what it recorded counts even when it stops the job."""
    machine.forget_peak_memory()
    wall, cpu = time.perf_counter(), machine.cpu_seconds()
    _measure_size(part, "before", context)
    try:
        part = stage.apply(part, context)
        _measure_size(part, "after", context)
        return part
    finally:
        account.reasons += context.reasons
        account.stages.append(
            StageRecord(
                stage=stage.stage,
                seconds=round(time.perf_counter() - wall, 3),
                cpu_seconds=round(machine.cpu_seconds() - cpu, 3),
                peak_mib=round(machine.peak_mib(), 1),
                measures=_records(context.measures, context),
                of_captures=tuple(
                    OfCapturesRecord(captures=captures, measures=_records(measures, context))
                    for captures, measures in context.of_captures.items()
                ),
                warnings=tuple(context.warnings),
            )
        )


def _records(measures: Mapping[str, float], context: StageContext) -> dict[str, MeasureRecord]:
    return {name: MeasureRecord(value=value, unit=context.declared[name].unit) for name, value in measures.items()}


def _measure_size(part: Part, when: str, context: StageContext) -> None:
    context.measure(f"points_{when}_count", part.point_count)
    for name, value in (sizes(part.mesh) if part.mesh is not None else {}).items():
        quantity, unit = name.rsplit("_", 1)
        context.measure(f"{quantity}_{when}_{unit}", value)


def _broken_limits(recipe: Recipe, account: Account) -> list[Reason]:
    broken: list[Reason] = []
    for limit in recipe.limits:
        stage, name = limit.measure.split(".", 1)
        records = [record for record in account.stages if record.stage == stage]
        found = [record.measures[name] for record in records if name in record.measures]
        wrong = dict.fromkeys(limit.broken_by(measure.value, measure.unit) for measure in found)
        if not found:
            wrong = {"could not be measured, so that its limit could not be judged": None}
        words = ", or ".join(dict.fromkeys(each.words(name) for each in recipe.stages if each.stage == stage))
        texts = [f"{words[0].upper()}{words[1:]} ({stage}): {text}." for text in wrong if text is not None]
        remedy = "Look at the pictures: they show what was not measured and what deviates; "
        remedy += f"the limit on {limit.measure} is set in the recipe {recipe.name}."
        broken += [Reason(Outcome(limit.otherwise), f"limit:{limit.measure}", text, remedy) for text in texts]
    return broken


def _disk_full(step: str, error: OSError) -> Reason:
    text = f"There was no room left to write to in {step}: {error.strerror}."
    return Reason(Outcome.FAILED, "disk-full", text, "The captures are untouched. Make room, and work the job again.")


def _defect(step: str, error: Exception) -> Reason:
    where = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{Path(where.filename).name}:{where.lineno}"
    text = f"A defect of nightmill in {step}: {type(error).__name__}: {error} ({place})."
    return Reason(Outcome.FAILED, "defect", text, "The captures are untouched. Send this manifest to the developers.")


def manifest_of(job: Job, recipe: Recipe, account: Account, part: Part | None = None) -> Manifest:
    """The account as a manifest; without a part when the work never came that far."""
    part = part or Part(job.part, ())
    told = partial(in_words, frame_from_part=part.deliverable_from_part if part.deliverables else np.eye(4))
    poses = {capture.name: capture.part_from_capture for capture in part.captures} if _is_placed(part) else {}
    return Manifest(
        job=job.name,
        part=part.name,
        client=job.ticket.client,
        operator=job.ticket.operator,
        outcome=account.outcome(),
        reasons=tuple(
            ReasonRecord(code=r.code, text=told(r.text), remedy=r.remedy, outcome=r.outcome, capture=r.capture)
            for r in sorted(account.reasons, key=lambda r: -r.outcome.severity)
        ),
        recipe=recipe_record(recipe),
        ticket=job.ticket.model_dump(mode="json", exclude_unset=True),
        software=machine.software(),
        captures=tuple(
            record.model_copy(update={"part_from_capture": _rows(poses[record.file])})
            if record.file in poses
            else record
            for record in account.captures
        ),
        deliverable_from_part=_rows(part.deliverable_from_part),
        stages=tuple(
            stage.model_copy(update={"warnings": tuple(map(told, stage.warnings))}) for stage in account.stages
        ),
        deliverables=tuple(DeliverableRecord(**_fields(deliverable)) for deliverable in part.deliverables),
        ignored=job.ignored,
        started=account.started,
        finished=now(),
        host=platform.node(),
    )


def _is_placed(part: Part) -> bool:
    """Whether it is known where the captures belong; what a ticket only declares may have been found wrong."""
    found = part.aligned and not part.declared.aligned
    return found or part.mesh is not None or len(part.captures) == 1


def recipe_record(recipe: Recipe) -> RecipeRecord:
    """The recipe as it was resolved, with its hash."""
    stages = tuple(stage.model_dump(mode="json") for stage in recipe.stages)
    bounds = tuple(limit.model_dump(mode="json", exclude_none=True) for limit in recipe.limits)
    identity = json.dumps([recipe.recipe, stages, bounds, recipe.unit], sort_keys=True)
    sha256 = hashlib.sha256(identity.encode()).hexdigest()
    return RecipeRecord(name=recipe.name, sha256=sha256, stages=stages, limits=bounds)


def _rows(transform: FloatArray) -> Transform:
    return tuple((float(a), float(b), float(c), float(d)) for a, b, c, d in transform)


def _fields(deliverable: Any) -> dict[str, Any]:
    return {name: getattr(deliverable, name) for name in DeliverableRecord.model_fields}
