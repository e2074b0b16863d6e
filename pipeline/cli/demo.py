"""``demo``: the example captures, worked as a night would. ``simulate``: more of them."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Any

from pipeline.cli.exits import ACCEPTED, command
from pipeline.cli.process import work_job
from pipeline.errors import UsageError
from pipeline.manifest import Manifest
from pipeline.storage import shipped


def add_to(commands: Any) -> None:
    """Register the commands."""
    demo = command(commands, "demo", _demo, "work the example captures as a night would, and show what came out")
    demo.add_argument("site", nargs="?", type=Path, default=Path("demo-site"), metavar="SITE")
    simulate = command(commands, "simulate", _simulate, "make example captures with known truth")
    simulate.add_argument("folder", type=Path, metavar="DIR")
    simulate.add_argument("--seed", type=int, default=1, metavar="N")


def _demo(options: Any) -> int:
    from pipeline.job import load_job

    site: Path = options.site
    if site.exists() and not (site / "inbox").is_dir() and any(site.iterdir()):
        raise UsageError(f"{site} is not empty and not a site.", "Give a new folder.")
    shutil.copytree(shipped("inbox_example"), site / "inbox", dirs_exist_ok=True)
    manifests: list[tuple[Manifest, Path]] = []
    for path in sorted((site / "inbox").iterdir()):
        if path.name.startswith(".") or path.suffix == ".md":
            continue
        recipe = load_job(path).ticket.recipe or "replica"
        manifest, worked = work_job(path, recipe, site / "work")
        place = site / ("delivered" if manifest.deliverables else "attention") / manifest.job
        _move_result(worked, place)
        manifests.append((manifest, place))
    shutil.rmtree(site / "work", ignore_errors=True)
    _print_night(manifests)
    return ACCEPTED


def _move_result(source: Path, target: Path) -> None:
    from pipeline.service.publish import refuse_foreign

    refuse_foreign(target)
    shutil.rmtree(target, ignore_errors=True)
    target.parent.mkdir(parents=True, exist_ok=True)
    source.rename(target)


def _print_night(manifests: list[tuple[Manifest, Path]]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table("job", "outcome", "triangles", "rms to the points", "why", "where", box=None, pad_edge=False)
    for manifest, place in sorted(manifests, key=lambda pair: -pair[0].outcome.severity):
        triangles = f"{manifest.deliverables[0].triangles:,}" if manifest.deliverables else "-"
        why = "; ".join(reason.text for reason in manifest.reasons) or "-"
        table.add_row(manifest.job, manifest.outcome, triangles, _deviation(manifest), why, str(place))
    Console(width=None if sys.stdout.isatty() else 160).print(table)


def _deviation(manifest: Manifest) -> str:
    for stage in manifest.stages:
        if stage.stage == "deviation-check" and "rms_mm" in stage.measures:
            return f"{stage.measures['rms_mm'].value:.3f} mm"
    return "-"


def _simulate(options: Any) -> int:
    from pipeline.simulate.inbox import write_example_inbox

    if options.folder.exists() and any(options.folder.iterdir()):
        raise UsageError(f"{options.folder} is not empty.", "Give a new folder.")
    write_example_inbox(options.folder, seed=options.seed)
    print(f"{options.folder}: simulated captures; nothing in it was scanned")
    return ACCEPTED
