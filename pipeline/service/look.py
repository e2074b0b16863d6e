"""The child's side of triage: read every capture strictly, run the capture check, say what was found."""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

from pipeline.errors import ConfigurationError, NightmillError, Outcome
from pipeline.formats import ReadLimits
from pipeline.job import Job, load_job
from pipeline.manifest import Manifest
from pipeline.recipe import Recipe, load_recipe
from pipeline.report.now import Kind
from pipeline.runner import run_job
from pipeline.service.inbox import companions
from pipeline.service.routing import recipe_for
from pipeline.service.tree import READY_MARKER, open_files
from pipeline.service.triage import Finding, LookOrder, Verdict
from pipeline.site import Site, open_site
from pipeline.stages import STAGES
from pipeline.ticket import TICKET_FILE

_CHECK = "capture-check"
_LINE = re.compile(r"([0-9a-fA-F]{64})(?: [ *](.+))?")


def look_at_all(order: LookOrder, say: Callable[[dict[str, object]], None]) -> None:
    """Look at the entries one by one, telling of each when it begins and what was found."""
    site = open_site(order.root)
    for entry in order.entries:
        say({"begin": entry})
        say(look_at(site, entry).model_dump(mode="json"))


def look_at(site: Site, entry: str) -> Verdict:
    """What there is to say of one entry of the inbox. Never raises for what lies there."""
    path = site.inbox / entry
    try:
        lists, wrong = check_sums(path)
        job = load_job(path)
    except ConfigurationError as error:
        return _unreadable(entry, *(Finding(text=str(mistake)) for mistake in error.mistakes))
    except (NightmillError, OSError) as error:
        remedy = error.remedy if isinstance(error, NightmillError) else ""
        text = error.text if isinstance(error, NightmillError) else str(error)
        return _unreadable(entry, Finding(text=text, remedy=remedy)).model_copy(update={"empty": _is_empty(path)})
    if wrong:
        remedy = "Copy the captures again, or mend the list."
        differing = _unreadable(entry, *(Finding(text=text, remedy=remedy) for text in wrong))
        return differing.model_copy(update={"sums_differ": True})
    recipe, hindrances = _quick_recipe(site, job)
    with tempfile.TemporaryDirectory(prefix="nightmill-look-") as folder:
        given = site.settings.max_points
        limits = ReadLimits() if given is None else ReadLimits(points=given)
        manifest = run_job(job, recipe, Path(folder), lambda *_: None, limits)
    verdict = _verdict(entry, job, manifest, hindrances)
    covered = {name for name in lists if name in {capture.name for capture in job.captures}}
    return verdict.model_copy(update={"listed": len(covered) == len(job.captures), "priority": job.ticket.priority})


def _verdict(entry: str, job: Job, manifest: Manifest, hindrances: list[Finding]) -> Verdict:
    findings = hindrances + [Finding(text=reason.text, remedy=reason.remedy) for reason in manifest.reasons]
    findings += [Finding(text=text) for stage in manifest.stages for text in stage.warnings]
    if len(manifest.captures) < len(job.captures):
        return _unreadable(entry, *findings)
    kind: Kind = "good"
    if hindrances or manifest.outcome is Outcome.FAILED:
        kind = "failing"
    elif manifest.outcome is Outcome.RESCAN:
        kind = "rescan"
    elif manifest.reasons or findings:
        kind = "doubt"
    points = sum(capture.points for capture in manifest.captures)
    return Verdict(entry=entry, verdict=kind, captures=len(job.captures), points=points, findings=tuple(findings))


def _unreadable(entry: str, *findings: Finding) -> Verdict:
    return Verdict(entry=entry, verdict="unreadable", findings=findings)


def _is_empty(path: Path) -> bool:
    """Nothing but a ticket and hidden files: somebody is about to scan."""
    return path.is_dir() and all(
        file.name == TICKET_FILE or file.name.startswith(".") for file in path.rglob("*") if not file.is_dir()
    )


def _quick_recipe(site: Site, job: Job) -> tuple[Recipe, list[Finding]]:
    """Only the capture check, with the parameters that the job's recipe gives it, in the recipe's unit.

    What lies in the inbox is not cleaned yet, so the check is told that it sees a scene: what covers a table does not
    cover the part. With it, why the job's recipe cannot be used: the job would fail, but its captures are worth a look.
    """
    hindrances: list[Finding] = []
    unit, stages = (
        None,
        tuple(kind.model_validate({"stage": _CHECK}) for name, kind in STAGES.items() if name == _CHECK),
    )
    try:
        recipe = load_recipe(recipe_for(site, job.name, job.ticket.recipe))
        unit = recipe.unit
        checks = [stage for stage in recipe.stages if stage.stage == _CHECK]
        stages = tuple(stage.model_copy(update={"shows": "scene"}) for stage in checks[:1]) or stages
    except ConfigurationError as error:
        hindrances = [Finding(text=str(mistake)) for mistake in error.mistakes[:3]]
    except NightmillError as error:
        hindrances = [Finding(text=error.text, remedy=error.remedy)]
    quick = Recipe.model_construct(recipe=1, name="triage", unit=unit, stages=cast(Any, stages), limits=())
    return quick, hindrances


def check_sums(path: Path) -> tuple[set[str], list[str]]:
    """Compare a job's files with the checksum lists in it, as ``sha256sum`` writes them.

    Returns
    -------
    names that are listed and fit, and what does not fit, in words
    """
    wanted: dict[str, str] = {}
    folder = path if path.is_dir() else path.parent
    lists = companions(path.parent, path.name) if not path.is_dir() else sorted(path.iterdir())
    for file in lists:
        if (file.name == "SHA256SUMS" or file.suffix == ".sha256") and file.is_file() and not file.is_symlink():
            for line in file.read_text(encoding="utf-8", errors="replace").splitlines():
                if found := _LINE.fullmatch(line.strip()):
                    wanted[Path(found.group(2) or file.stem).name] = found.group(1).lower()
    if not wanted:
        return set(), []
    have = _sums(folder, wanted) if path.is_dir() else {path.name: _sum_of(path)}
    wrong = [f"{name} is in the checksum list but not here." for name in wanted if name not in have and path.is_dir()]
    wrong += [
        f"{name} is not as its checksum says." for name, digest in have.items() if wanted.get(name, digest) != digest
    ]
    return {name for name in wanted if name in have}, wrong


def _sums(folder: Path, wanted: dict[str, str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for relative, handle in open_files(folder):
        if Path(relative).name in wanted and not relative.endswith(READY_MARKER):
            with open(handle, "rb", closefd=False) as file:
                found[Path(relative).name] = hashlib.file_digest(file, "sha256").hexdigest()
    return found


def _sum_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
