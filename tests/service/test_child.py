"""Child processes: what they do to themselves stays with them, and nothing of them is left."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from pipeline.service.child import LOG_CAP_BYTES, Ended, Leash, run_child
from pipeline.service.limits import Allowance, Limits

HERE = Path(__file__).parents[2]


def child(
    tmp_path: Path, code: str, *, seconds: float = 60, leash: Leash | None = None
) -> tuple[Ended, list[str], bytes]:
    lines: list[str] = []
    log = tmp_path / "log"
    command = [sys.executable, "-S", "-c", code]
    ended = run_child(command, environment={}, seconds=seconds, log=log, listen=lines.append, leash=leash)
    return ended, lines, log.read_bytes()


def gone(pid: int) -> bool:
    """Whether a process has ended; a zombie has."""
    for _ in range(200):
        try:
            if Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0] == "Z":
                return True
        except FileNotFoundError:
            return True
        time.sleep(0.02)  # the kernel's time, not ours
    return False


def test_output_and_status_come_back(tmp_path: Path) -> None:
    ended, lines, log = child(
        tmp_path, "import sys; print('one'); print('two'); print('oh', file=sys.stderr); sys.exit(3)"
    )
    assert ended == Ended("itself", 3)
    assert [line.strip() for line in lines] == ["one", "two"]
    assert log == b"oh\n"


def test_a_crash_is_told_by_its_signal(tmp_path: Path) -> None:
    ended, _, _ = child(tmp_path, "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    assert ended == Ended("itself", -signal.SIGSEGV)


def test_a_hanging_child_ends_with_its_time_and_its_children(tmp_path: Path) -> None:
    code = (
        "import os, signal, time\n"
        "signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        "child = os.fork()\n"
        "if child: print(child, flush=True)\n"
        "time.sleep(1000)\n"
    )
    began = time.monotonic()
    ended, lines, _ = child(tmp_path, code, seconds=1.5)
    assert ended.how == "timeout"
    assert time.monotonic() - began < 1.5 + 5  # the promise: killed within five seconds of its limit
    assert gone(int(lines[0]))


def test_a_grandchild_that_keeps_the_pipe_does_not_keep_us(tmp_path: Path) -> None:
    code = "import os, time\nchild = os.fork()\nif child: print(child, flush=True)\nelse: time.sleep(1000)\n"
    ended, lines, _ = child(tmp_path, code, seconds=60)
    assert ended == Ended("itself", 0)
    assert gone(int(lines[0]))


def test_a_leash_ends_it_from_another_thread(tmp_path: Path) -> None:
    leash = Leash()
    threading.Timer(0.5, leash.pull).start()
    ended, _, _ = child(tmp_path, "import time; time.sleep(1000)", leash=leash)
    assert ended.how == "stopped"
    ended, _, _ = child(tmp_path, "import time; time.sleep(1000)", leash=leash)
    assert ended.how == "stopped", "a pulled leash holds for whoever comes later"


def test_the_log_is_capped_and_keeps_both_ends(tmp_path: Path) -> None:
    code = "import sys; say = sys.stderr.write; say('first\\n'); [say('x' * 10000) for i in range(300)]; say('last')"
    _, _, log = child(tmp_path, code)
    assert len(log) < LOG_CAP_BYTES + 100
    assert log.startswith(b"first")
    assert log.endswith(b"last")
    assert b"bytes left out" in log


def test_a_listener_that_raises_harms_nothing(tmp_path: Path) -> None:
    def listen(line: str) -> None:
        raise ValueError(line)

    command = [sys.executable, "-S", "-c", "print(1)"]
    assert run_child(command, environment={}, seconds=60, log=tmp_path / "log", listen=listen) == Ended("itself", 0)


LIMITED = """
import sys
sys.path.insert(0, {here!r})
from pipeline.service.limits import Limits
Limits.model_validate_json({limits!r}).apply()
{code}
"""


def limited(code: str, allowance: Allowance) -> subprocess.Popen[str]:
    text = LIMITED.format(here=str(HERE), limits=allowance.limits().model_dump_json(), code=code)
    return subprocess.Popen([sys.executable, "-c", text], stdout=subprocess.PIPE, encoding="utf-8")


def test_memory_is_bounded_and_processors_are_given() -> None:
    cpu = min(os.sched_getaffinity(0))
    code = (
        "import os, json\n"
        "try:\n    big = bytearray(1_500_000_000); got = True\nexcept MemoryError:\n    got = False\n"
        "print(json.dumps([got, sorted(os.sched_getaffinity(0)), open('/proc/self/oom_score_adj').read().strip()]))\n"
    )
    process = limited(code, Allowance(1_000_000_000, 60, (cpu,)))
    out, _ = process.communicate()
    got, cpus, score = json.loads(out)
    assert not got
    assert cpus == [cpu]
    assert score == "500"


def test_a_child_dies_with_its_parent(tmp_path: Path) -> None:
    """kill -9 of the service leaves no orphan."""
    inner = LIMITED.format(here=str(HERE), limits="@", code="print('up', flush=True)\nimport time\ntime.sleep(1000)")
    parent = (
        "import os, subprocess, sys, time\n"
        f"sys.path.insert(0, {str(HERE)!r})\n"
        "from pipeline.service.limits import Allowance\n"
        "limits = Allowance.of_this_machine().limits().model_dump_json()\n"
        f"child = subprocess.Popen([sys.executable, '-c', {inner!r}.replace('@', limits)], stdout=subprocess.PIPE)\n"
        "child.stdout.readline()\n"
        "print(child.pid, flush=True)\n"
        "time.sleep(1000)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", parent], stdout=subprocess.PIPE, encoding="utf-8")
    assert process.stdout is not None
    pid = int(process.stdout.readline())
    process.kill()
    process.wait()
    assert gone(pid)


def test_a_child_whose_parent_has_gone_ends_at_once() -> None:
    code = LIMITED.format(
        here=str(HERE), limits=Limits(memory_bytes=10**9, cpus=(0,), parent=1).model_dump_json(), code="print('on')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8")
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("workers", "cpus"), [(1, [(0, 1, 2)]), (2, [(0, 2), (1,)]), (5, [(0,), (1,), (2,), (0, 1, 2), (0, 1, 2)])]
)
def test_workers_share_the_machine(workers: int, cpus: list[tuple[int, ...]]) -> None:
    shares = Allowance(30, 60, (0, 1, 2)).shared(workers)
    assert [share.cpus for share in shares] == cpus
    assert sum(share.memory_bytes for share in shares) <= 30
