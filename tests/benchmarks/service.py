"""The service under load and under fire, at full length. Prints a table; ends with 1 when a figure is not reached.

    python tests/benchmarks/service.py [crash deaths flood watches soak looks]   # default: all; about half an hour

``crash`` needs strace (apt-get install strace), ``watches`` user namespaces (unshare).
"""

from __future__ import annotations

import logging
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "service"))
from crash_site import (
    CHANGING,
    FAILING,
    calls_of,
    can_trace,
    copy_of,
    make_jobs,
    points,
    run_forked,
    violations,
    work_once,
)
from service_rig import new_rig, new_site
from stress import account_of, drop_flat, drop_nested, random_deaths, soak, watch_until_worked

from pipeline.formats import CAPTURE_SUFFIXES
from pipeline.service.inbox import look

Row = tuple[str, str, bool]


def crash(folder: Path) -> list[Row]:
    """Killed at every state-changing system call; ENOSPC and EIO at every call that can fail so."""
    if not can_trace():
        print("crash: no strace here (apt-get install -y strace)")
        return []
    contents = make_jobs(folder / "site")
    rows = []
    for what, names in (("signal=KILL", CHANGING), ("error=ENOSPC", FAILING), ("error=EIO", FAILING)):
        calls = calls_of(copy_of(folder / "site", folder / "counted"), names)
        tried, reached, unaided, wrong = 0, 0, 0, []
        for name, number in points(calls):
            root = copy_of(folder / "site", folder / "victim")
            log = folder / "log"
            options = ["-o", str(log), "-e", f"trace={name}", "-e", f"inject={name}:{what}:when={number}"]
            status = run_forked(lambda root=root: work_once(root), options)  # type: ignore[misc]
            tried += 1
            reached += os.WIFSIGNALED(status) or "INJECTED" in log.read_text(encoding="utf-8")
            found = violations(root, contents, final=False)
            unaided += "error" in what and not found and not violations(root, contents, final=True)
            run_forked(lambda root=root: work_once(root))  # type: ignore[misc]
            found += violations(root, contents, final=True)
            wrong += [f"{name} {number}: {text}" for text in found]
        print("\n".join(wrong))
        text = f"{reached} of {tried} points reached, {len(wrong)} violations"
        rows.append(
            (
                f"every call: {what}",
                text + (f", {unaided} worked off without a restart" if "error" in what else ""),
                not wrong,
            )
        )
    return rows


def deaths(folder: Path) -> list[Row]:
    """kill -9 at 300 random moments, two services on the site each time."""
    account, killed = random_deaths(folder / "site", 300, seed=20261125)
    text = f"{killed} kills, {account.dropped} jobs, {account.lost} lost, {account.double} double, {account.half} half"
    return [("300 random kill -9, two services", text, account.good)]


def flood(folder: Path) -> list[Row]:
    """20,000 files at once, flat and nested: more than the event queue holds."""
    rows = []
    limit = Path("/proc/sys/fs/inotify/max_queued_events").read_text(encoding="utf-8").strip()
    for name, drop, jobs in (
        ("flat", lambda site: drop_flat(site, 20_000), 20_000),
        ("nested", lambda site: drop_nested(site, 20_000), 1000),
    ):
        site = new_site(folder / name, "settle_s: 1", "workers: 2")
        began = time.process_time()
        dropped = drop(site)
        watch_until_worked(site.root, jobs, 3000)
        account = account_of(site, dropped)
        text = f"{account.lost} lost, {account.double} double, {account.half} half (event queue {limit})"
        rows.append((f"20,000 files {name}", f"{text}; {time.process_time() - began:.0f} s CPU", account.good))
    return rows


def watches(folder: Path) -> list[Row]:
    """The same with a limit of 50 watched folders, in a user namespace of its own."""
    script = 'echo 50 > /proc/sys/user/max_inotify_watches && exec "$@"'
    command = ["unshare", "-Ur", "sh", "-c", script, "sh", sys.executable, __file__, "--limited", str(folder)]
    done = subprocess.run(command, capture_output=True, encoding="utf-8")
    if done.returncode not in (0, 1) or not done.stdout:
        print(f"watches: {done.stderr.strip()[-300:]}")
        return []
    return [("2,000 files in 100 folders, 50 watches", done.stdout.strip(), done.returncode == 0)]


def limited(folder: Path) -> int:
    site = new_site(folder / "site", "settle_s: 1")
    dropped = drop_nested(site, 2000)
    watch_until_worked(site.root, 100, 600)
    account = account_of(site, dropped)
    print(f"{account.lost} lost, {account.double} double, {account.half} half")
    return 0 if account.good else 1


def soaking(folder: Path) -> list[Row]:
    """300 small jobs, each a child process."""
    site = new_site(folder / "site")
    samples = soak(site.root, 300)
    early, late = samples[30:60], samples[-30:]
    drift = 100 * (max(late)[0] / max(early)[0] - 1)
    handles = (max(s[1] for s in early), max(s[1] for s in late))
    threads = (max(s[2] for s in early), max(s[2] for s in late))
    text = (
        f"memory {max(early)[0]:.1f} -> {max(late)[0]:.1f} MiB ({drift:+.1f} %), handles {handles}, threads {threads}"
    )
    return [("soak: 300 jobs", text, drift < 5 and handles[1] <= handles[0] and threads[1] <= threads[0])]


def looks(folder: Path) -> list[Row]:
    """A full look at 100,000 files; a quarter of an hour of nothing beside 10,000."""
    rows = []
    for name, folders, each in (("flat", 0, 100_000), ("in 5,000 folders", 5000, 20)):
        inbox = folder / name
        inbox.mkdir()
        for i in range(max(1, folders)):
            target = inbox / f"job{i}" if folders else inbox
            target.mkdir(exist_ok=True)
            for k in range(each):
                os.close(os.open(target / f"{k}.ply", os.O_CREAT | os.O_WRONLY))
        began = time.process_time()
        found = look(inbox, CAPTURE_SUFFIXES)
        cpu = time.process_time() - began
        seen = sum(arrival.seen.files for arrival in found.arrivals)
        rows.append((f"look at 100,000 files {name}", f"{cpu:.2f} s CPU, {seen} seen", cpu < 3 and seen == 100_000))
    rig = new_rig(folder / "site", 'hours: "03:00-03:01"')
    drop_nested(rig.site, 10_000)
    supervisor = rig.supervisor()
    while len(rig.triage.seen) < 500:
        rig.clock.pass_seconds(5)
        supervisor.turn()
    began = time.process_time()
    for _ in range(60):
        rig.clock.pass_seconds(15)
        supervisor.turn()
    share = 100 * (time.process_time() - began) / 900
    rows.append(("idle beside 10,000 files", f"{share:.2f} % of a core", share < 1))
    return rows


ALL: dict[str, Callable[[Path], list[Row]]] = {
    "crash": crash, "deaths": deaths, "flood": flood, "watches": watches, "soak": soaking, "looks": looks,
}  # fmt: skip


def main(names: list[str]) -> int:
    logging.getLogger("nightmill").setLevel(logging.CRITICAL)
    rows: list[Row] = []
    for name in names or list(ALL):
        place = "/dev/shm" if name in ("flood", "watches") and Path("/dev/shm").is_dir() else None
        folder = Path(tempfile.mkdtemp(prefix=f"nightmill-{name}-", dir=place))
        try:
            for row in ALL[name](folder):
                print(f"{'good' if row[2] else 'BAD':<5}{row[0]:<40}{row[1]}", flush=True)
                rows.append(row)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    return 0 if all(good for _, _, good in rows) else 1


if __name__ == "__main__":
    raise SystemExit(limited(Path(sys.argv[2])) if sys.argv[1:2] == ["--limited"] else main(sys.argv[1:]))
