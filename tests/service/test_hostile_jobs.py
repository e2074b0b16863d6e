"""Jobs that crash, hang, eat memory or never stop talking, beside others that must not notice.

The worker is replaced by a small program that misbehaves as its job's name says; supervision is the real one.
"""

from __future__ import annotations

import stat
import sys
import time
from pathlib import Path

import pytest
from service_rig import FakeTriage, manifest_for, new_site, no_report

from pipeline.manifest import read_manifest
from pipeline.service.start import service
from pipeline.service.worker import Order

WORKER = """#!{python} -S
import json, os, signal, sys, time
order = json.load(open(sys.argv[-1]))
print(json.dumps({{"step": "meshing", "place": 3, "of": 9}}), flush=True)
name = order["name"]
if name == "crash":
    os.kill(os.getpid(), signal.SIGSEGV)
if name == "hang":
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    if os.fork():
        open({pids!r}, "a").write(f"{{os.getpid()}}\\n")
    else:
        open({pids!r}, "a").write(f"{{os.getpid()}}\\n")
    while True:
        time.sleep(100)
if name == "hungry":
    import resource
    resource.setrlimit(resource.RLIMIT_AS, (order["limits"]["memory_bytes"],) * 2)
    bytearray(order["limits"]["memory_bytes"])
if name == "talker":
    for i in range(200):
        print("x" * 100_000)
        sys.stderr.write("y" * 100_000)
if name == "liar":
    open(os.path.join(order["folder"], "manifest.json"), "w").write("{{ not a manifest")
    sys.exit(0)
text = open({manifest!r}).read()
manifest = json.loads(text) | {{"job": name, "attempt": order["attempt"], "content_sha256": order["content_sha256"]}}
open(os.path.join(order["folder"], "manifest.json"), "w").write(json.dumps(manifest))
"""

HOSTILE = {"crash": "crash", "hang": "timeout", "hungry": "crash", "liar": "crash"}


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_only_the_hostile_jobs_suffer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = new_site(tmp_path / "site", "workers: 2", "minutes: 0.03", "retry_minutes: []", "memory_gib: 0.6")
    good = ["a", "b", "c", "talker"]
    for name in (*good, *HOSTILE):
        (site.inbox / name).mkdir()
        (site.inbox / name / "a.ply").write_bytes(name.encode())
        (site.inbox / name / ".ready").touch()
    sample = manifest_for(Order(job=tmp_path, name="x", recipe=tmp_path, folder=tmp_path), deliver=False)
    (tmp_path / "sample.json").write_text(sample.model_dump_json(), encoding="utf-8")
    worker, pids = tmp_path / "worker", tmp_path / "pids"
    worker.write_text(WORKER.format(python=sys.executable, manifest=str(tmp_path / "sample.json"), pids=str(pids)))
    worker.chmod(worker.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setattr("pipeline.service.worker.sys.executable", str(worker))
    took: dict[str, float] = {}
    began: dict[str, float] = {}
    with service(
        site,
        "run",
        looks=FakeTriage(),
        report=no_report,
        on_step=lambda job, *_: began.setdefault(job, time.monotonic()),  # type: ignore[arg-type,return-value]
        on_turn=lambda turn: took.setdefault(turn.job, time.monotonic()),  # type: ignore[arg-type,return-value]
    ) as supervisor:
        supervisor.run()
    for name in good:
        assert read_manifest(site.delivered / name).outcome == "accepted"
    for name, code in HOSTILE.items():
        manifest = read_manifest(site.attention / name)
        assert (manifest.outcome, manifest.reasons[0].code) == ("failed", code), name
    assert "meshing" in read_manifest(site.attention / "hang").reasons[0].text
    assert took["hang"] - began["hang"] < 0.03 * 60 + 5, "killed within five seconds of its limit"
    for pid in pids.read_text(encoding="utf-8").split():
        assert not Path(f"/proc/{pid}").exists() or ") Z" in Path(f"/proc/{pid}/stat").read_text(encoding="utf-8"), (
            "no orphan"
        )
