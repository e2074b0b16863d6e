"""A site from the command line, as a new user would: init, a slow copy, watch, kill -9 twice, start again."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "service"))
from captures import sphere_ply

from pipeline.cli import main
from pipeline.manifest import read_manifest
from pipeline.service.health import HEALTH_FILE
from pipeline.site import open_site

PATIENCE_S = 240.0  # of real processes on a busy machine; nothing is asserted of it


def nightmill(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *arguments], capture_output=True, encoding="utf-8", timeout=PATIENCE_S
    )


def until(true: Callable[[], object]) -> None:
    """Wait for another process."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end
        time.sleep(0.1)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    root = tmp_path / "site"
    assert main(["init", str(root)]) == 0
    (root / "recipes").mkdir()
    (root / "recipes" / "tiny.yaml").write_text(
        "recipe: 1\nname: tiny\nstages:\n  - stage: outlier-removal\n", encoding="utf-8"
    )
    text = (root / "site.yaml").read_text(encoding="utf-8").replace("recipe: replica", "recipe: tiny")
    (root / "site.yaml").write_text(
        text.replace("settle_s: 60", "settle_s: 2").replace("min_free_gb: 5", "min_free_gb: 0.1"), encoding="utf-8"
    )
    return root


@pytest.fixture
def watching(site: Path) -> Iterator[Callable[[], subprocess.Popen[bytes]]]:
    begun: list[subprocess.Popen[bytes]] = []

    def start() -> subprocess.Popen[bytes]:
        log = (site.parent / f"log{len(begun)}").open("wb")
        begun.append(subprocess.Popen([sys.executable, "-m", "pipeline", "watch", str(site)], stderr=log))
        until(lambda: (site / "health" / "health.json").is_file())
        return begun[-1]

    yield start
    for process in begun:
        process.kill()
        process.wait()


def test_init_makes_a_site_and_check_finds_it_good(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert sorted(path.name for path in site.iterdir()) == [
        "attention", "delivered", "inbox", "raw", "recipes", "reports", "site.yaml", "work",
    ]  # fmt: skip
    assert main(["check", str(site / "site.yaml")]) == 0
    assert main(["init", str(site)]) == 2
    (site / "site.yaml").write_text("site: 1\nhour: always\n", encoding="utf-8")
    assert main(["check", str(site / "site.yaml")]) == 2
    assert "Did you mean hours" in capsys.readouterr().out
    assert main(["schema", "site"]) == 0
    assert json.loads(capsys.readouterr().out)["properties"]["hours"]


def test_run_status_requeue(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sphere_ply(site / "inbox" / "tiller" / "a.ply")
    broken = sphere_ply(site / "inbox" / "broken" / "a.ply")
    broken.write_bytes(broken.read_bytes()[:-100])
    for name in ("tiller", "broken"):
        (site / "inbox" / name / ".ready").touch()
    done = nightmill("run", str(site))
    assert done.returncode == 1, done.stderr
    assert "delivered/tiller" in done.stdout
    assert "attention/broken" in done.stdout
    assert main(["status", str(site), "--json"]) == 0
    status = json.loads(capsys.readouterr().out)
    assert status["jobs"] == {"accepted": 1, "failed": 1}
    assert main(["status", str(site)]) == 0
    assert "broken: failed" in capsys.readouterr().out
    sphere_ply(site / "raw" / "broken" / "a.ply", seed=2)
    assert main(["requeue", str(site), "broken"]) == 0
    done = nightmill("run", str(site))
    assert done.returncode == 0, done.stderr
    assert read_manifest(site / "delivered" / "broken").attempt == 2
    assert not (site / "attention" / "broken").exists()


def test_the_report_of_a_night_tells_all_that_is_left_in_the_inbox(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the inbox itself: what the service last wrote may name a job that was worked since."""
    (site / "inbox" / "captures.zip").write_bytes(b"PK")
    (site / "inbox" / "rudder").mkdir()
    sphere_ply(site / "inbox" / "tiller.ply")
    health = open_site(site).health
    health.mkdir(exist_ok=True)
    (health / HEALTH_FILE).write_text(json.dumps({"waiting": {"bollard": "cannot be read yet"}}), encoding="utf-8")
    assert main(["write-night", str(site), "2026-11-24"]) == 0
    page = (site / "reports" / "2026-11-24" / "index.html").read_text(encoding="utf-8")
    capsys.readouterr()
    assert main(["status", str(site)]) == 0
    status = capsys.readouterr().out
    for said in (page, status):  # in the same words
        assert "captures.zip: no capture; it was left where it lies" in said
        assert "rudder: nothing in it yet" in said
        assert "tiller.ply: not looked at yet" in said
    assert "bollard" not in page


def test_run_ended_by_a_signal_says_so(site: Path) -> None:
    """Whoever calls it at night must not take what is left for done."""
    text = (site / "site.yaml").read_text(encoding="utf-8")
    (site / "site.yaml").write_text(text.replace("settle_s: 2", "settle_s: 600"), encoding="utf-8")
    sphere_ply(site / "inbox" / "tiller" / "a.ply")
    command = [sys.executable, "-m", "pipeline", "run", str(site)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8")
    try:
        until(lambda: (open_site(site).health / HEALTH_FILE).exists() or running.poll() is not None)
        running.send_signal(signal.SIGTERM)
        printed, _ = running.communicate(timeout=PATIENCE_S)
    finally:
        running.kill()
    assert running.returncode == 130
    assert "stopped by a signal" in printed
    assert (site / "inbox" / "tiller" / "a.ply").exists()


def test_a_broken_site_file_is_refused_with_its_line(site: Path) -> None:
    (site / "site.yaml").write_text("site: 1\nrecipe: tinny\n", encoding="utf-8")
    done = nightmill("run", str(site))
    assert done.returncode == 2
    assert "tinny" in done.stderr


def test_watch_killed_twice_in_mid_work_and_started_again(
    site: Path, watching: Callable[[], subprocess.Popen[bytes]]
) -> None:
    source = sphere_ply(site.parent / "source.ply", points=20_000).read_bytes()
    process = watching()
    (site / "inbox" / "slow").mkdir()
    with (site / "inbox" / "slow" / "a.ply").open("wb") as file:  # a slow copy
        for i in range(0, len(source), 40_000):
            file.write(source[i : i + 40_000])
            file.flush()
            time.sleep(0.3)
    for name in ("one", "two"):
        sphere_ply(site / "inbox" / name / "a.ply", seed=len(name) + ord(name[0]))
    for _ in range(2):
        until(lambda: list((site / "work").glob("*/attempt-*/.order.json")))
        process.send_signal(signal.SIGKILL)
        process.wait()
        until(lambda: not _children_of(site))
        process = watching()
    until(lambda: len(list(site.glob("delivered/*/manifest.json"))) == 3)
    status = json.loads(nightmill("status", str(site), "--json").stdout)
    assert status["service"]["pid"] == process.pid
    second = nightmill("run", str(site))
    assert second.returncode == 2
    assert "Another nightmill" in second.stderr
    process.send_signal(signal.SIGTERM)
    assert process.wait(PATIENCE_S) == 0
    assert sorted(path.name for path in (site / "raw").iterdir()) == ["one", "slow", "two"]
    assert (site / "raw" / "slow" / "a.ply").read_bytes() == source
    assert list((site / "inbox").iterdir()) == []
    for line in (site.parent / "log2").read_text(encoding="utf-8").splitlines():
        assert {"time", "level", "text"} <= json.loads(line).keys()


def _children_of(site: Path) -> list[str]:
    """Workers of this site that still live."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            try:
                command = (entry / "cmdline").read_bytes().decode().split("\0")
            except OSError:
                continue
            if "work" in command and any(str(site) in word for word in command):
                found.append(entry.name)
    return found


def test_sigterm_puts_running_jobs_back_after_the_grace_time(
    site: Path, watching: Callable[[], subprocess.Popen[bytes]]
) -> None:
    (site / "site.yaml").write_text(
        (site / "site.yaml").read_text(encoding="utf-8").replace("grace_minutes: 10", "grace_minutes: 0")
    )
    sphere_ply(site / "inbox" / "tiller" / "a.ply", points=500_000)
    (site / "inbox" / "tiller" / ".ready").touch()
    process = watching()
    until(lambda: list((site / "work").glob("*/attempt-*/.order.json")))
    process.send_signal(signal.SIGTERM)
    assert process.wait(PATIENCE_S) == 0
    assert _children_of(site) == []
    status = json.loads(nightmill("status", str(site), "--json").stdout)
    assert (
        status["queue"] == [{"job": "tiller", "text": "waits to be worked"}] or (site / "delivered" / "tiller").is_dir()
    )


def test_no_socket_listens(site: Path, watching: Callable[[], subprocess.Popen[bytes]]) -> None:
    process = watching()
    sockets = {str(link.readlink()) for link in Path(f"/proc/{process.pid}/fd").iterdir() if link.is_symlink()}
    assert not [name for name in sockets if name.startswith("socket:")]
