"""One job in a process of its own, under limits.

Native libraries crash and hang on rare input, and some hold the interpreter for seconds: nothing that must
survive may share a process with them. The child is this program's own ``work`` command with an order file; it
tells its steps on standard output, one JSON object a line, and leaves ``manifest.json`` in its folder.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from pipeline.errors import Outcome, UsageError
from pipeline.formats import ReadLimits
from pipeline.job import Job, load_job
from pipeline.manifest import MANIFEST_FILE, Manifest, read_manifest
from pipeline.recipe import Recipe, load_recipe
from pipeline.runner import Account, Progress, manifest_of, run_job
from pipeline.stage import Reason

LOG_FILE = "work.log"
LOG_CAP_BYTES = 1_000_000
_PR_SET_PDEATHSIG = 1


class Order(BaseModel):
    """What the child is told: one attempt at one job."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    job: Path
    name: str
    recipe: Path
    folder: Path
    max_points: int | None = None
    max_bytes: int | None = None

    def read_limits(self) -> ReadLimits:
        """The given limits, the readers' own where none is given."""
        given = {"points": self.max_points, "bytes": self.max_bytes}
        return ReadLimits(**{key: value for key, value in given.items() if value is not None})


@dataclass(frozen=True, slots=True)
class Allowance:
    """What one job may use."""

    memory_bytes: int
    seconds: float
    threads: int

    @classmethod
    def of_this_machine(cls) -> Allowance:
        """Nine tenths of the memory, all processors, six hours."""
        memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
        return cls(int(memory * 0.9), 6 * 3600, len(os.sched_getaffinity(0)))

    def limited(self, *, gib: float | None, minutes: float | None, threads: int | None) -> Allowance:
        """This allowance with what is given in its place. Raises UsageError for a value that allows nothing."""
        for name, value in (("--memory-gib", gib), ("--minutes", minutes), ("--threads", threads)):
            if value is not None and not value > 0:
                raise UsageError(f"{name} {value:g} allows nothing.", "Give a number above 0.")
        return Allowance(
            self.memory_bytes if gib is None else int(gib * 2**30),
            self.seconds if minutes is None else minutes * 60,
            self.threads if threads is None else min(threads, self.threads),
        )


def work(order: Order) -> None:
    """The child's side: run the recipe, write the manifest, tell the steps on standard output."""

    def tell(step: str, place: int, of: int) -> None:
        print(json.dumps({"step": step, "place": place, "of": of}), flush=True)  # noqa: T201  # the parent reads it

    job, recipe = _loaded(order)
    run_job(job, recipe, order.folder, tell, order.read_limits()).write(order.folder)


def run_in_child(order: Order, allowance: Allowance, progress: Progress) -> Manifest:
    """Work an order in a child process and give its manifest.

    A child that crashes, hangs or runs out of memory yields a manifest with the outcome ``failed`` that names
    the stage it was in; whatever it wrote beside its log is removed.
    """
    order_file = order.folder / ".order.json"
    order_file.write_text(order.model_dump_json())
    reached = "start"

    def listen(step: str, place: int, of: int) -> None:
        nonlocal reached
        reached = step
        progress(step, place, of)

    status = _supervise([sys.executable, "-m", "pipeline", "work", str(order_file)], order.folder, allowance, listen)
    order_file.unlink()
    if status == 0 and (order.folder / MANIFEST_FILE).is_file():
        (order.folder / LOG_FILE).unlink(missing_ok=True)
        return read_manifest(order.folder)
    for leftover in order.folder.iterdir():
        if leftover.is_file() and leftover.name != LOG_FILE:
            leftover.unlink()
    job, recipe = _loaded(order)
    account = Account(reasons=[_technical_fault(status, reached, allowance)])
    manifest = manifest_of(job, recipe, account)
    manifest.write(order.folder)
    return manifest


def _loaded(order: Order) -> tuple[Job, Recipe]:
    job = load_job(order.job)
    return Job(order.name, job.captures, job.ticket, job.ignored), load_recipe(order.recipe)


def _technical_fault(status: int | None, step: str, allowance: Allowance) -> Reason:
    remedy = f"Work the job again; if it fails again, send {LOG_FILE} and this manifest to the developers."
    if status is None:
        text, code = f"The job was still in {step} after {allowance.seconds / 60:.0f} minutes and was ended.", "timeout"
    elif status < 0:
        text, code = f"A library crashed in {step} ({signal.Signals(-status).name}).", "crash"
    else:
        text, code = f"The work ended in {step} without a result (exit code {status}).", "crash"
    return Reason(Outcome.FAILED, code, text, remedy)


def _supervise(
    command: list[str], folder: Path, allowance: Allowance, listen: Callable[[str, int, int], None]
) -> int | None:
    """Run a command in its own session under limits; its exit status, or None when its time ran out."""
    threads = str(allowance.threads)
    environment = os.environ | dict.fromkeys(
        ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS"), threads
    )
    with (folder / LOG_FILE).open("wb") as log:
        child = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=log,
            env=environment,
            start_new_session=True,
            preexec_fn=lambda: _limit_self(allowance),
            text=True,
        )
        expired = threading.Event()

        def end() -> None:
            expired.set()
            _kill_group(child.pid)

        clock = threading.Timer(allowance.seconds, end)
        clock.daemon = True
        clock.start()
        try:
            assert child.stdout is not None
            for line in child.stdout:
                with contextlib.suppress(ValueError, KeyError, TypeError):
                    told = json.loads(line)
                    listen(str(told["step"]), int(told["place"]), int(told["of"]))
            status = child.wait()
        finally:
            clock.cancel()
            _kill_group(child.pid)
            child.wait()
    return None if expired.is_set() else status


def _limit_self(allowance: Allowance) -> None:
    """In the child, before the program starts: die with the parent, no cores, bounded memory and log."""
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        allowed = sorted(os.sched_getaffinity(0))[: allowance.threads]
        os.sched_setaffinity(0, allowed)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_AS, (allowance.memory_bytes, allowance.memory_bytes))


def _kill_group(leader: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(leader, signal.SIGKILL)
