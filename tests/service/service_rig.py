"""A site with a fake clock, a fake engine and a fake triage: nothing here sleeps, forks or needs the libraries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pipeline.errors import Outcome
from pipeline.manifest import DeliverableRecord, Manifest, ReasonRecord, RecipeRecord
from pipeline.runner import Progress
from pipeline.service.inbox import Arrival
from pipeline.service.journal import Journal
from pipeline.service.spawn import Spawn, at_once
from pipeline.service.start import make_site
from pipeline.service.supervisor import Supervisor
from pipeline.service.triage import Verdict
from pipeline.service.worker import Order
from pipeline.site import Site, open_site
from pipeline.storage import sha256_of

RECIPE = "recipe: 1\nname: tiny\nstages:\n  - stage: outlier-removal\n"
IDENTITY = tuple(tuple(float(i == j) for j in range(4)) for i in range(4))


class FakeClock:
    """Both clocks, moved by hand; they may be moved apart."""

    def __init__(self) -> None:
        self.seconds = 1000.0
        self.wall = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)

    def monotonic(self) -> float:
        return self.seconds

    def now(self) -> datetime:
        return self.wall

    def pass_seconds(self, seconds: float) -> None:
        self.seconds += seconds
        self.wall += timedelta(seconds=seconds)


def manifest_for(order: Order, outcome: Outcome = Outcome.ACCEPTED, code: str = "", deliver: bool = True) -> Manifest:
    """A manifest as an attempt would write it, with one deliverable where there is something to deliver."""
    records: tuple[DeliverableRecord, ...] = ()
    if deliver and outcome in (Outcome.ACCEPTED, Outcome.REVIEW):
        file = order.folder / "part.stl"
        file.write_bytes(f"solid {order.name} {order.content_sha256}\n".encode() * 10)
        records = (
            DeliverableRecord(
                file=file.name,
                format="stl",
                unit="mm",
                bytes=file.stat().st_size,
                sha256=sha256_of(file),
                triangles=12,
                watertight=True,
            ),
        )
    reasons = (
        ()
        if outcome is Outcome.ACCEPTED
        else (ReasonRecord(code=code, text="It is so.", remedy="Mend it.", outcome=outcome),)
    )
    moment = datetime.now(UTC).replace(microsecond=0)
    return Manifest(
        job=order.name,
        part=order.name,
        outcome=outcome,
        reasons=reasons,
        recipe=RecipeRecord(name="tiny", sha256="0" * 64, stages=()),
        software={"nightmill": "0"},
        deliverable_from_part=IDENTITY,  # type: ignore[arg-type]
        deliverables=records,
        content_sha256=order.content_sha256,
        attempt=order.attempt,
        started=moment,
        finished=moment,
        host="here",
    )


@dataclass
class FakeEngine:
    """Does what it is told for a job's name; else delivers at once."""

    slots: int = 1
    behaviour: dict[str, Callable[[Order], Manifest | None]] = field(default_factory=dict)
    placed: list[tuple[str, int]] = field(default_factory=list)
    stopped: bool = False

    def place(self, order: Order, progress: Progress) -> Manifest | None:
        self.placed.append((order.name, order.attempt))
        progress("read", 0, 2)
        if self.stopped:
            return None
        manifest = self.behaviour.get(order.name, manifest_for)(order)
        if manifest is not None:
            manifest.write(order.folder)
        return manifest

    def stop(self) -> None:
        self.stopped = True


@dataclass
class FakeTriage:
    """Calls every arrival readable, but those it is told otherwise of."""

    verdicts: dict[str, Verdict] = field(default_factory=dict)
    seen: list[str] = field(default_factory=list)

    def __call__(self, arrivals: list[Arrival], heard: Callable[[Verdict], None]) -> None:
        for arrival in arrivals:
            self.seen.append(arrival.entry)
            heard(
                self.verdicts.get(arrival.entry, Verdict(entry=arrival.entry, verdict="good", captures=1, points=100))
            )


@dataclass
class Rig:
    """A site and everything around it."""

    site: Site
    journal: Journal
    clock: FakeClock
    engine: FakeEngine
    triage: FakeTriage
    reports: list[str] = field(default_factory=list)

    def supervisor(self, mode: str = "watch", spawn: Spawn = at_once, **told: Any) -> Supervisor:
        supervisor = Supervisor(
            self.site,
            self.journal,
            self.engine,
            self.triage,  # type: ignore[arg-type]
            mode=mode,  # type: ignore[arg-type]
            clock=self.clock,
            spawn=spawn,
            report=lambda site, night: self.reports.append(night),
            **told,
        )
        supervisor.lookout.hints = None
        return supervisor

    def drop(self, name: str, content: bytes = b"points", *, ready: bool = False) -> Path:
        """Drop a job: a folder with one capture, or a single file where the name has a suffix."""
        path = self.site.inbox / name
        if path.suffix:
            path.write_bytes(content)
            return path
        path.mkdir()
        (path / "a.ply").write_bytes(content)
        if ready:
            (path / ".ready").touch()
        return path

    def go_on(self, supervisor: Supervisor, seconds: float, step: float = 5.0) -> None:
        """Let time pass, with a turn every few seconds."""
        passed = 0.0
        while passed < seconds:
            self.clock.pass_seconds(step)
            passed += step
            supervisor.hint()
            supervisor.turn()


def no_report(site: Site, night: str) -> None:
    """For tests that are not about reports."""


def new_site(root: Path, *more: str) -> Site:
    """A site with a tiny recipe; further lines add settings to site.yaml."""
    make_site(root)
    (root / "recipes").mkdir()
    (root / "recipes" / "tiny.yaml").write_text(RECIPE, encoding="utf-8")
    lines = ["site: 1", "recipe: tiny", "min_free_gb: 0.001", *more]
    (root / "site.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return open_site(root)


def new_rig(root: Path, *more: str) -> Rig:
    """A site and its surroundings."""
    site = new_site(root, *more)
    return Rig(site, Journal(site.journal), FakeClock(), FakeEngine(), FakeTriage())
