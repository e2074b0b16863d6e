"""Loads for the service: floods of files, random deaths, long runs. Tests use them short, benchmarks long."""

from __future__ import annotations

import gc
import os
import random
import signal
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from crash_site import run_forked, work_once
from service_rig import FakeEngine, FakeTriage, manifest_for, new_site, no_report

from pipeline.manifest import MANIFEST_FILE, Manifest, differences, read_manifest
from pipeline.runner import Progress
from pipeline.service.child import run_child
from pipeline.service.inbox import NOTE_SUFFIXES
from pipeline.service.start import service
from pipeline.service.supervisor import Supervisor
from pipeline.service.worker import Order
from pipeline.site import Site, open_site


@dataclass
class Account:
    """What became of what was dropped."""

    dropped: int
    lost: int
    double: int
    half: int

    @property
    def good(self) -> bool:
        return not (self.lost or self.double or self.half)


def account_of(site: Site, dropped: list[bytes], *, worked: bool = True) -> Account:
    """Count captures, wherever they are, and results. Contents are all different."""
    files = Counter(
        file.read_bytes() for place in (site.inbox, site.raw) for file in place.rglob("*.ply") if file.is_file()
    )
    results = [folder for place in (site.delivered, site.attention) for folder in place.iterdir()]
    half = sum(
        not (folder / MANIFEST_FILE).is_file() or bool(differences(folder, read_manifest(folder))) for folder in results
    )
    lost = sum(files[content] == 0 for content in dropped)
    double = sum(count - 1 for count in files.values()) + len(results) - len({folder.name for folder in results})
    if worked:
        jobs = {path.name for path in site.raw.iterdir()}
        lost += len(jobs - {folder.name for folder in results})
        lost += sum(not path.name.endswith(NOTE_SUFFIXES) for path in site.inbox.iterdir())
    return Account(len(dropped), lost, double, half)


def drop_flat(site: Site, count: int) -> list[bytes]:
    """So many single files in the inbox."""
    contents = [b"flat %d" % i for i in range(count)]
    for i, content in enumerate(contents):
        (site.inbox / f"flat{i}.ply").write_bytes(content)
    return contents


def drop_nested(site: Site, count: int, each: int = 20) -> list[bytes]:
    """So many files in new folders, a few levels deep."""
    contents = []
    for i in range(0, count, each):
        folder = site.inbox / f"nested{i}" / "deep" / "deeper"
        folder.mkdir(parents=True)
        for k in range(each):
            contents.append(b"nested %d %d" % (i, k))
            (folder / f"{k}.ply").write_bytes(contents[-1])
    return contents


def watch_until_worked(root: Path, jobs: int, patience_s: float, *, with_events: bool = True) -> Supervisor:
    """A real watch, threads and events and all, with a fake engine, until so many jobs are done."""
    with service(open_site(root), "watch", engine=FakeEngine(), looks=FakeTriage(), report=no_report) as supervisor:
        if not with_events:
            supervisor.lookout.hints = None
        done: list[int] = []

        def count(turn) -> None:  # type: ignore[no-untyped-def]
            done.append(turn.kind in ("done", "known"))
            if sum(done) >= jobs:
                supervisor.stop()

        supervisor._on_turn = count
        timer = threading.Timer(patience_s, supervisor.stop)
        timer.daemon = True
        timer.start()
        supervisor.run()
        timer.cancel()
    return supervisor


def random_deaths(root: Path, deaths: int, seed: int) -> tuple[Account, int]:
    """Drop jobs, work them, kill -9 at random moments, two services at a time, until so many were killed at work."""
    rng = random.Random(seed)
    site = new_site(root)
    dropped: list[bytes] = []
    killed = 0
    for i in range(20 * deaths):  # a service that had nothing left to do ends before it is killed
        if killed >= deaths:
            break
        for k in range(rng.randrange(3)):
            dropped.append(b"job %d %d" % (i, k))
            folder = site.inbox / f"job{i}-{k}"
            folder.mkdir()
            (folder / "a.ply").write_bytes(dropped[-1])
            (folder / ".ready").touch()
        children = [_fork(root), _fork(root)]
        time.sleep(rng.uniform(0.0, 0.25))  # so that death finds it anywhere
        for child in children:
            os.kill(child, signal.SIGKILL)
            killed += os.WIFSIGNALED(os.waitpid(child, 0)[1])
        account = account_of(site, dropped, worked=False)
        if not account.good:
            return account, killed
    assert run_forked(lambda: work_once(root)) == 0
    return account_of(site, dropped), killed


def _fork(root: Path) -> int:
    child = os.fork()
    if child:
        return child
    try:
        null = os.open(os.devnull, os.O_RDWR)
        os.dup2(null, 2)
        work_once(root)
    finally:
        os._exit(0)


@dataclass
class ProcessEngine:
    """Attempts as real child processes that do next to nothing."""

    slots: int = 1
    samples: list[tuple[float, int, int]] = field(default_factory=list)
    """Resident MiB, open handles and threads of the service after each attempt."""

    def place(self, order: Order, progress: Progress) -> Manifest | None:
        run_child(
            [sys.executable, "-S", "-E", "-c", 'print(\'{"step": "read"}\')'],
            environment={},
            seconds=60,
            log=order.folder / "work.log",
            listen=lambda line: progress("read", 0, 1),
        )
        manifest = manifest_for(order)
        manifest.write(order.folder)
        gc.collect()
        self.samples.append(usage())
        return manifest

    def stop(self) -> None:
        return


def usage() -> tuple[float, int, int]:
    """Resident MiB, open handles and threads of this process."""
    status = dict(
        line.split(":\t", 1)
        for line in Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
        if ":\t" in line
    )
    return int(status["VmRSS"].split()[0]) / 1024, len(list(Path("/proc/self/fd").iterdir())), int(status["Threads"])


def soak(root: Path, jobs: int) -> list[tuple[float, int, int]]:
    """So many small jobs through one watch; what the service used after each."""
    engine = ProcessEngine()
    with service(open_site(root), "watch", engine=engine, looks=FakeTriage(), report=no_report) as supervisor:
        site = supervisor.site
        done: list[str] = []

        def feed(turn) -> None:  # type: ignore[no-untyped-def]
            done.append(turn.job)
            _drop_ready(site, len(done) + 1, jobs)
            if len(done) >= jobs:
                supervisor.stop()

        supervisor._on_turn = feed
        for i in range(2):
            _drop_ready(site, i, jobs)
        supervisor.run()
    return engine.samples


def _drop_ready(site: Site, number: int, jobs: int) -> None:
    if number < jobs:
        folder = site.inbox / f"job{number}"
        folder.mkdir(exist_ok=True)
        (folder / "a.ply").write_bytes(b"%d" % number)
        (folder / ".ready").touch()
