"""Killed, or out of disk, at any system call: nothing is lost, half there or double. Shortened; the whole by name:

python tests/benchmarks/crash.py
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
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

EVERY = 12  # of about a thousand points; a different share would do as well

pytestmark = pytest.mark.skipif(not can_trace(), reason="needs strace and the right to trace: apt-get install strace")


@pytest.fixture
def prepared(tmp_path: Path) -> tuple[Path, dict[str, bytes]]:
    contents = make_jobs(tmp_path / "site")
    return tmp_path / "site", contents


def test_the_undisturbed_run_keeps_every_promise(prepared: tuple[Path, dict[str, bytes]]) -> None:
    site, contents = prepared
    assert run_forked(lambda: work_once(site)) == 0
    assert violations(site, contents, final=True) == []


def test_killed_at_a_system_call(prepared: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    site, contents = prepared
    calls = calls_of(copy_of(site, tmp_path / "counted"), CHANGING)
    assert calls["fsync"] > 20, "the run is watched"
    killed = 0
    for name, number in points(calls, EVERY):
        root = copy_of(site, tmp_path / "victim")
        options = ["-e", f"trace={name}", "-e", f"inject={name}:signal=KILL:when={number}"]
        killed += os.WIFSIGNALED(run_forked(lambda root=root: work_once(root), options))  # type: ignore[misc]
        assert violations(root, contents, final=False) == [], (name, number)
        assert run_forked(lambda root=root: work_once(root)) == 0, (name, number)  # type: ignore[misc]
        assert violations(root, contents, final=True) == [], (name, number)
    assert killed > 10


@pytest.mark.parametrize("error", ["ENOSPC", "EIO"])
def test_a_call_that_fails(prepared: tuple[Path, dict[str, bytes]], tmp_path: Path, error: str) -> None:
    site, contents = prepared
    calls = calls_of(copy_of(site, tmp_path / "counted"), FAILING)
    for name, number in points(calls, EVERY * 2):
        root = copy_of(site, tmp_path / "victim")
        options = ["-e", f"trace={name}", "-e", f"inject={name}:error={error}:when={number}"]
        run_forked(lambda root=root: work_once(root), options)  # type: ignore[misc]
        assert violations(root, contents, final=False) == [], (name, number)
        assert run_forked(lambda root=root: work_once(root)) == 0, (name, number)  # type: ignore[misc]
        assert violations(root, contents, final=True) == [], (name, number)
