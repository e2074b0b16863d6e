"""One job in a process of its own, under limits.

Native libraries crash and hang on rare input, and some hold the interpreter for seconds: nothing that must
survive may share a process with them. The child is this program's own ``work`` command with an order file; it
tells its steps on standard output, one JSON object a line, and leaves ``manifest.json`` in its folder.
"""

from __future__ import annotations

import contextlib
import json
import signal
import sys
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from pipeline.errors import NightmillError, Outcome, UsageError
from pipeline.formats import ReadLimits
from pipeline.job import Job, load_job
from pipeline.manifest import Manifest, read_manifest
from pipeline.recipe import Recipe, load_recipe
from pipeline.runner import Account, Progress, manifest_of, run_job
from pipeline.service.child import Ended, Leash, run_child
from pipeline.service.limits import Allowance, Limits
from pipeline.stage import Reason
from pipeline.ticket import Ticket

LOG_FILE = "work.log"
ORDER_FILE = ".order.json"


class Order(BaseModel):
    """What the child is told: one attempt at one job."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    job: Path
    name: str
    recipe: Path
    folder: Path
    max_points: int | None = None
    max_bytes: int | None = None
    content_sha256: str | None = None
    attempt: int = 1
    home: Path | None = None
    """Where the result will lie once it is published; without it, no page is written."""
    limits: Limits | None = None

    def read_limits(self) -> ReadLimits:
        """The given limits, the readers' own where none is given."""
        given = {"points": self.max_points, "bytes": self.max_bytes}
        return ReadLimits(**{key: value for key, value in given.items() if value is not None})

    def stamped(self, manifest: Manifest) -> Manifest:
        """The manifest with what only the order knows."""
        return manifest.model_copy(update={"content_sha256": self.content_sha256, "attempt": self.attempt})


def work(order: Order) -> None:
    """The child's side: run the recipe, write the manifest, tell the steps on standard output; then the page.

    The result is there without a page: nothing that pictures do can harm it. What they raise ends the child, so that
    its log is kept.
    """

    def tell(step: str, place: int, of: int) -> None:
        print(json.dumps({"step": step, "place": place, "of": of}), flush=True)  # noqa: T201  # the parent reads it

    recipe = load_recipe(order.recipe)
    try:
        job = _loaded(order)
    except NightmillError as error:
        manifest = rejected(order.name, recipe, Reason(Outcome.FAILED, error.code, error.text, error.remedy))
    else:
        manifest = run_job(job, recipe, order.folder, tell, order.read_limits())
    order.stamped(manifest).write(order.folder)
    if order.home is not None:
        from pipeline.report.job import write_job_page

        write_job_page(order.folder, home=order.home)


def run_in_child(order: Order, allowance: Allowance, progress: Progress, leash: Leash | None = None) -> Manifest | None:
    """Work an order in a child process and give its manifest; None when the leash was pulled.

    A child that crashes, hangs or runs out of memory yields a manifest with the outcome ``failed`` that names
    the stage it was in; whatever it wrote beside its log is removed. Once the manifest is there the job is
    finished, however the child ends after that.
    """
    order = order.model_copy(update={"limits": allowance.limits()})
    order_file = order.folder / ORDER_FILE
    order_file.write_text(order.model_dump_json(), encoding="utf-8")
    reached = "start"

    def listen(line: str) -> None:
        nonlocal reached
        told = json.loads(line)
        reached = str(told["step"])
        progress(reached, int(told["place"]), int(told["of"]))

    log = order.folder / LOG_FILE
    command = [sys.executable, "-m", "pipeline", "work", str(order_file)]
    ended = run_child(
        command,
        environment=allowance.environment(),
        seconds=allowance.seconds,
        log=log,
        listen=listen,
        leash=leash,
    )
    order_file.unlink(missing_ok=True)
    if ended.how == "stopped":
        return None
    with contextlib.suppress(UsageError):  # none there, or not one of ours
        manifest = read_manifest(order.folder)
        if ended.how == "itself" and ended.status == 0:
            log.unlink(missing_ok=True)
        return manifest
    for leftover in order.folder.iterdir():
        if leftover.is_file() and leftover.name != LOG_FILE:
            leftover.unlink()
    return _faulty(order, _technical_fault(ended, reached, allowance))


def rejected(name: str, recipe: Recipe, reason: Reason) -> Manifest:
    """The manifest of a job that could not be begun."""
    return manifest_of(Job(name, (), Ticket()), recipe, Account(reasons=[reason]))


def _loaded(order: Order) -> Job:
    job = load_job(order.job)
    return Job(order.name, job.captures, job.ticket, job.ignored)


def _faulty(order: Order, fault: Reason) -> Manifest:
    recipe = load_recipe(order.recipe)
    try:
        manifest = manifest_of(_loaded(order), recipe, Account(reasons=[fault]))
    except NightmillError:
        manifest = rejected(order.name, recipe, fault)
    manifest = order.stamped(manifest)
    manifest.write(order.folder)
    return manifest


def _technical_fault(ended: Ended, step: str, allowance: Allowance) -> Reason:
    remedy = f"Work the job again; if it fails again, send {LOG_FILE} and this manifest to the developers."
    if ended.how == "timeout":
        text, code = f"The job was still in {step} after {allowance.seconds / 60:.3g} minutes and was ended.", "timeout"
    elif ended.status < 0:
        text, code = f"A library crashed in {step} ({signal.Signals(-ended.status).name}).", "crash"
    else:
        text, code = f"The work ended in {step} without a result (exit code {ended.status}).", "crash"
    return Reason(Outcome.FAILED, code, text, remedy)
