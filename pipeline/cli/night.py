"""A night's work from the command line: progress while it goes on, a table when it is done."""

from __future__ import annotations

import logging
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.manifest import Manifest
    from pipeline.service.bench import Turn


@dataclass(frozen=True, slots=True)
class Night:
    """What was finished, what was left in the inbox and why, and whether a signal ended it."""

    turns: list[Turn]
    left: dict[str, str]
    stopped: bool


def run_night(root: Path) -> Night:
    """Work off a site's inbox, telling each step."""
    from pipeline.cli.process import Progress
    from pipeline.service.log import begin_log
    from pipeline.service.start import serve, service
    from pipeline.site import open_site

    begin_log(logging.WARNING)
    with (
        Progress() as progress,
        service(
            open_site(root), "run", on_step=progress.step, on_turn=_forget(progress), on_wait=progress.wait
        ) as supervisor,
    ):
        turns = serve(supervisor)
        return Night(turns, supervisor.left(), supervisor.stopping)


def _forget(progress: Any) -> Any:
    return lambda turn: progress.done(turn.job)


def print_night(root: Path, night: Night) -> None:
    """What came out, worst first; then what was worked before, and what is left in the inbox and why."""
    from rich.console import Console
    from rich.table import Table

    from pipeline.report.site import page_missing

    finished = [turn for turn in night.turns if turn.manifest is not None]
    table = Table("job", "outcome", "triangles", "rms to the points", "why", "where", box=None, pad_edge=False)
    for turn in sorted(finished, key=lambda turn: -turn.manifest.outcome.severity):  # type: ignore[union-attr]
        manifest = turn.manifest
        assert manifest is not None
        triangles = f"{manifest.deliverables[0].triangles:,}" if manifest.deliverables else "-"
        missing = page_missing(turn.place) if turn.place and manifest.deliverables else ""
        why = "; ".join(filter(None, (*(reason.text for reason in manifest.reasons), missing))) or "-"
        where = str(turn.place.relative_to(root.resolve())) if turn.place else "-"
        table.add_row(manifest.job, manifest.outcome, triangles, _deviation(manifest), why, where)
    if finished:
        Console(width=None if sys.stdout.isatty() else 160).print(table)
    for turn in night.turns:
        if turn.kind == "known":
            print(f"{turn.job}: {turn.text}")
    for entry, why in night.left.items():
        print(f"{entry}: still in the inbox: {why}")
    if night.stopped:
        print(f"stopped by a signal; what is queued goes on with: nightmill run {root}")
    elif not night.turns and not night.left:
        print("nothing to work on")
    reports = sorted(root.glob("reports/*/index.html"))
    if finished and reports:
        print(f"report: {reports[-1]}")


def _deviation(manifest: Manifest) -> str:
    for stage in manifest.stages:
        if stage.stage == "deviation-check" and "rms_mm" in stage.measures:
            return f"{stage.measures['rms_mm'].value:.3f} mm"
    return "-"
