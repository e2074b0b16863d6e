"""A site at work in a process that may be killed at any system call, and what must be true of it then.

The process is forked from this one, so that each of hundreds of deaths costs milliseconds. strace(1) attaches to it
and kills it, or makes a call fail, at the n-th call of a name: https://man7.org/linux/man-pages/man1/strace.1.html
(tampering).
"""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

from service_rig import FakeClock, FakeEngine, FakeTriage, manifest_for, new_site, no_report

from pipeline.errors import Outcome
from pipeline.manifest import MANIFEST_FILE, differences, read_manifest
from pipeline.service.inbox import NOTE_SUFFIXES
from pipeline.service.spawn import at_once
from pipeline.service.start import service
from pipeline.site import Site, open_site

CHANGING = (
    "rename", "renameat", "renameat2", "mkdir", "mkdirat", "rmdir", "unlink", "unlinkat", "write", "pwrite64",
    "fsync", "fdatasync", "ftruncate", "fchmod", "chmod", "link", "linkat",
)  # fmt: skip
FAILING = (
    "rename", "renameat2", "mkdir", "write", "pwrite64", "fsync", "fdatasync", "ftruncate", "unlink", "rmdir",
)  # fmt: skip

JOBS = {"tiller": "accepted", "cleat": "accepted", "broken": "failed", "same": "known"}


def make_jobs(root: Path) -> dict[str, bytes]:
    """A site with four jobs: a folder, a single file, one that fails, one that is the same as the first."""
    site = new_site(root)
    contents = {"tiller": b"tiller points", "cleat": b"cleat points", "broken": b"broken points"}
    for name in ("tiller", "broken"):
        (site.inbox / name).mkdir()
        (site.inbox / name / "a.ply").write_bytes(contents[name])
        (site.inbox / name / ".ready").touch()
    (site.inbox / "cleat.ply").write_bytes(contents["cleat"])
    (site.inbox / "cleat.ply.ready").touch()
    shutil.copytree(site.inbox / "tiller", site.inbox / "same")
    return contents


def work_once(root: Path) -> None:
    """`run`, as the command does it, on fake time and with a fake engine. Raises what the command would end with."""
    logging.disable(logging.CRITICAL)
    clock = FakeClock()
    engine = FakeEngine(behaviour={"broken": lambda order: manifest_for(order, Outcome.FAILED, "capture-unreadable")})
    with service(
        open_site(root), "run", engine=engine, clock=clock, spawn=at_once, looks=FakeTriage(), report=no_report
    ) as supervisor:  # fmt: skip
        supervisor._sleep = lambda seconds: clock.pass_seconds(max(1.0, seconds))  # type: ignore[method-assign]
        supervisor.run()


def run_forked(work: Callable[[], None], strace: list[str] | None = None) -> int:
    """Run in a forked process, under strace when its options are given; the wait status."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            null = os.open(os.devnull, os.O_RDWR)
            os.dup2(null, 1)
            os.dup2(null, 2)
            if strace is not None:
                os.kill(os.getpid(), signal.SIGSTOP)
            work()
            code = 0
        finally:
            os._exit(code)
    if strace is None:
        return os.waitpid(child, 0)[1]
    os.waitpid(child, os.WUNTRACED)
    tracer = subprocess.Popen(["strace", "-p", str(child), *strace], stdin=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert tracer.stderr is not None
    while b"attached" not in (line := tracer.stderr.readline()):
        if not line:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            raise RuntimeError("strace could not attach")
    os.kill(child, signal.SIGCONT)
    tracer.stderr.read()
    tracer.wait()
    return os.waitpid(child, 0)[1]


def calls_of(root: Path, names: tuple[str, ...]) -> Counter[str]:
    """How many state-changing calls one undisturbed run makes, by name. The site is worked afterwards."""
    log = root.parent / "calls"
    run_forked(lambda: work_once(root), ["-e", f"trace={','.join(names)}", "-e", "signal=none", "-o", str(log)])
    return Counter(
        line.split("(")[0] for line in log.read_text(encoding="utf-8").splitlines() if "(" in line and line[0].isalpha()
    )


def points(calls: Counter[str], every: int = 1) -> Iterator[tuple[str, int]]:
    """Each call of each name, or every n-th of them."""
    flat = [(name, i + 1) for name in sorted(calls) for i in range(calls[name])]
    yield from flat[::every]


def copy_of(site: Path, target: Path) -> Path:
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(site, target, symlinks=True)
    return target


def violations(root: Path, contents: dict[str, bytes], *, final: bool) -> list[str]:
    """What is not as promised: captures lost or doubled, results half there, or (at the end) work not done."""
    site = open_site(root)
    found: list[str] = []
    found += _captures(site, contents)
    results: list[str] = []
    for place in (site.delivered, site.attention):
        for folder in place.iterdir():
            results.append(folder.name)
            found += _whole(folder)
    found += [f"{job} has two results" for job, count in Counter(results).items() if count > 1]
    if not final:
        return found
    left = [path.name for path in site.inbox.iterdir() if not path.name.endswith(NOTE_SUFFIXES)]
    found += [f"left in the inbox: {name}" for name in left if not (name.startswith(".") and name.endswith(".part"))]
    found += [f"left in work: {path}" for path in site.work.iterdir()]
    with sqlite3.connect(site.journal) as journal:
        if journal.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
            found.append("the journal is damaged")
        known = journal.execute("SELECT 1 FROM sqlite_master WHERE name = 'jobs'").fetchall()
        rows = journal.execute("SELECT job, state, outcome, attempts FROM jobs").fetchall() if known else []
    outcomes = Counter(row[2] if row[1] == "done" else row[1] for row in rows)
    if outcomes != Counter(JOBS.values()):
        found.append(f"journal: {rows}")
    if len(results) != 3:
        found.append(f"results: {sorted(results)}")
    return found


def _captures(site: Site, contents: dict[str, bytes]) -> list[str]:
    """Every dropped file is there, in exactly one place, unchanged."""
    wanted = Counter(hashlib.sha256(data).hexdigest() for data in contents.values())
    wanted[hashlib.sha256(contents["tiller"]).hexdigest()] += 1
    have = Counter(
        hashlib.sha256(file.read_bytes()).hexdigest()
        for place in (site.inbox, site.raw)
        for file in place.rglob("*.ply")
    )
    return [] if have == wanted else [f"captures: {sorted(map(str, site.root.rglob('*.ply')))}"]


def _whole(folder: Path) -> list[str]:
    if not (folder / MANIFEST_FILE).is_file():
        return [f"{folder} has no manifest"]
    manifest = read_manifest(folder)
    found = differences(folder, manifest)
    if manifest.outcome is not Outcome.ACCEPTED and "What to do" not in (folder / "REASON.txt").read_text(
        encoding="utf-8"
    ):
        found.append(f"{folder}: no readable reason")
    return found


def can_trace() -> bool:
    """Whether strace is there and may attach."""
    if sys.platform != "linux" or shutil.which("strace") is None:
        return False
    return subprocess.run(["strace", "-o", os.devnull, "true"], capture_output=True).returncode == 0
