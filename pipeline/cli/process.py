"""``process``: one job, no site. ``work``: the child's side of it."""

from __future__ import annotations

import json
import os
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.cli.exits import ACCEPTED, command, exit_code
from pipeline.errors import UsageError
from pipeline.manifest import MANIFEST_FILE, Manifest, read_manifest
from pipeline.storage import numbered, sha256_of

if TYPE_CHECKING:
    from pipeline.job import Job


def add_to(commands: Any) -> None:
    """Register the commands."""
    process = command(commands, "process", _process, "work one job: a folder with captures, or one capture file")
    process.add_argument("job", type=Path, metavar="JOB")
    process.add_argument(
        "--recipe", metavar="FILE", help="a recipe file or the name of a shipped one; else the ticket's"
    )
    process.add_argument("--out", type=Path, required=True, metavar="DIR", help="the result becomes DIR/<job>")
    process.add_argument("--json", action="store_true", help="print the manifest")
    process.add_argument("--threads", type=int, metavar="N", help="processors to use (default: all)")
    process.add_argument("--memory-gib", type=float, metavar="N", help="memory allowed (default: nine tenths)")
    process.add_argument("--minutes", type=float, metavar="N", help="time allowed (default: 360)")
    process.add_argument(
        "--max-points", type=int, metavar="N", help="points allowed in one capture (default: 100 million)"
    )
    process.add_argument("--max-bytes", type=int, metavar="N", help="size allowed for one capture file")
    work = command(commands, "work", _work, None)
    work.add_argument("order", type=Path)


def _process(options: Any) -> int:
    recipe = options.recipe or _ticket_recipe(options.job)
    manifest, folder = work_job(options.job, recipe, options.out, options)
    if options.json:
        print(manifest.model_dump_json(indent=1, exclude_none=True))
    else:
        _print_result(manifest, folder)
    return exit_code([manifest])


def _ticket_recipe(job: Path) -> str:
    from pipeline.job import load_job
    from pipeline.recipe import recipe_files

    name = load_job(job).ticket.recipe
    if name is None:
        known = ", ".join(file.stem for file in recipe_files())
        remedy = f"Give --recipe FILE, or one of: {known}."
        raise UsageError("No recipe given, and the ticket names none.", remedy)
    return name


def work_job(path: Path, recipe: str, out: Path, options: Any = None) -> tuple[Manifest, Path]:
    """Work one job in a child process; its manifest and the folder it was published in."""
    from pipeline.job import load_job
    from pipeline.recipe import find_recipe, load_recipe
    from pipeline.service.limits import Allowance
    from pipeline.service.publish import staged
    from pipeline.service.worker import Order, run_in_child

    job = load_job(path)
    _refuse_inside(path, out)
    recipe_file = find_recipe(recipe)
    load_recipe(recipe_file)
    allowance = Allowance.of_this_machine().limited(
        gib=getattr(options, "memory_gib", None),
        minutes=getattr(options, "minutes", None),
        threads=getattr(options, "threads", None),
    )
    target = _place(out, job)
    with staged(target) as folder, Progress() as progress:
        order = Order(
            job=path.absolute(),
            name=target.name,
            recipe=recipe_file.absolute(),
            folder=folder.absolute(),
            home=target.absolute(),
            max_points=getattr(options, "max_points", None),
            max_bytes=getattr(options, "max_bytes", None),
        )
        manifest = run_in_child(order, allowance, lambda *step: progress.step(target.name, *step))
        assert manifest is not None, "nobody else holds the leash"
    return manifest, target


def _refuse_inside(job: Path, out: Path) -> None:
    """Raise UsageError when results would be written among the captures: a job's folder stays as it was dropped."""
    if job.is_dir() and out.resolve().is_relative_to(job.resolve()):
        raise UsageError(f"{out} lies in the folder of the captures.", "Choose another --out.")


def _place(out: Path, job: Job) -> Path:
    """Where a result goes: in the place of an earlier one of these captures, beside one of others of the same name."""
    sums: set[str] = set()  # hashed only where there is something to compare with
    for name in numbered(job.name):
        target = out / name
        if not (target / MANIFEST_FILE).is_file():
            return target
        sums = sums or {sha256_of(path) for path in job.captures if os.access(path, os.R_OK)}
        earlier = {record.sha256 for record in read_manifest(target).captures}
        if not earlier or earlier & sums:
            return target
    raise AssertionError("names are endless")


def _work(options: Any) -> int:
    """Limits first: the libraries count processors when they are loaded."""
    from pipeline.service.limits import Limits

    order = json.loads(options.order.read_text(encoding="utf-8"))
    if order["limits"] is not None:
        Limits.model_validate(order["limits"]).apply()
    from pipeline.service.worker import Order, work

    work(Order.model_validate(order))
    return ACCEPTED


class Progress:
    """A bar for each running job on a terminal, a plain line a step elsewhere."""

    def __init__(self) -> None:
        self._bars: Any = None
        self._tasks: dict[str, Any] = {}

    def __enter__(self) -> Progress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
            from rich.progress import Progress as Bars

            columns = (
                TextColumn("{task.fields[job]}"),
                BarColumn(),
                TextColumn("{task.description}"),
                TimeElapsedColumn(),
            )
            self._bars = Bars(*columns, console=Console(stderr=True), transient=True)
            self._bars.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bars is not None:
            self._bars.stop()

    def step(self, job: str, name: str, place: int, of: int) -> None:
        """A job has begun a step."""
        if self._bars is None:
            print(f"{job}: {name} ({place + 1}/{of})", file=sys.stderr, flush=True)
            return
        if job not in self._tasks:
            self._tasks[job] = self._bars.add_task(name, total=of, job=job)
        self._bars.update(self._tasks[job], description=name, completed=place, total=of)

    def wait(self, entry: str, text: str, seconds: float) -> None:
        """There is nothing to do but to wait for an arrival."""
        until = (datetime.now() + timedelta(seconds=seconds)).strftime("%H:%M:%S")
        line = f"{entry}: waits until {until}: {text}"
        if self._bars is None:
            print(line, file=sys.stderr, flush=True)
        else:
            self._bars.console.print(line)

    def done(self, job: str) -> None:
        """A job is no longer running."""
        if job in self._tasks:
            self._bars.remove_task(self._tasks.pop(job))


def _print_result(manifest: Manifest, folder: Path) -> None:
    from pipeline.report.site import PAGE_FILE, page_missing

    print(f"{manifest.job}: {manifest.outcome}")
    for reason in manifest.reasons:
        print(f"  {reason.outcome}: {reason.text}")
        print(f"    {reason.remedy}")
    for record in manifest.deliverables:
        closed = "watertight" if record.watertight else "open"
        print(f"  {folder / record.file}  {record.triangles:,} triangles, {closed}, {record.bytes / 1e6:.1f} MB")
    page = folder / PAGE_FILE
    if page.is_file():
        print(f"  {page}  pictures and figures, for a browser")
    elif manifest.deliverables:
        print(f"  {page_missing(folder)}")
    print(f"  {folder / MANIFEST_FILE}")
