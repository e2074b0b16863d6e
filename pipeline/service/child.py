"""A command in a session of its own: its clock is kept here, its group is killed, its log is capped."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Literal

LOG_CAP_BYTES = 1_000_000
_LINE_CAP_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Ended:
    """How a child ended: by itself with a status (negative: the signal), or by us."""

    how: Literal["itself", "timeout", "stopped"]
    status: int


class Leash:
    """Holds children, so that another thread can end them all."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._groups: set[int] = set()
        self.pulled = False

    def pull(self) -> None:
        """Kill every child that is held, and every one that will be."""
        with self._lock:
            self.pulled = True
            for group in self._groups:
                _kill_group(group)

    def hold(self, group: int) -> None:
        with self._lock:
            self._groups.add(group)
            if self.pulled:
                _kill_group(group)

    def free(self, group: int) -> None:
        with self._lock:
            self._groups.discard(group)


def run_child(
    command: list[str],
    *,
    environment: Mapping[str, str],
    seconds: float,
    log: Path,
    listen: Callable[[str], None],
    leash: Leash | None = None,
) -> Ended:
    """Run a command to its end, or to the end of its time.

    Whatever it started is killed with it. ``listen`` gets each line of its standard output; standard error goes
    into ``log``, of which the first and the last half megabyte are kept.
    """
    leash = leash or Leash()
    child = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, **environment},
        start_new_session=True,
    )
    leash.hold(child.pid)
    expired = threading.Event()

    def expire() -> None:
        expired.set()
        _kill_group(child.pid)

    clock = threading.Timer(seconds, expire)
    clock.daemon = True
    clock.start()
    assert child.stdout is not None
    assert child.stderr is not None
    readers = [
        threading.Thread(target=_listen, args=(child.stdout, listen), daemon=True),
        threading.Thread(target=_keep_log, args=(child.stderr, log), daemon=True),
    ]
    for reader in readers:
        reader.start()
    try:
        # The leader stays a zombie until its group is killed: until then nobody else can get its number.
        os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    finally:
        clock.cancel()
        clock.join()
        _kill_group(child.pid)
        leash.free(child.pid)
        status = child.wait()
        for reader in readers:
            reader.join(5)
    if expired.is_set():
        return Ended("timeout", status)
    return Ended("stopped" if leash.pulled and status == -signal.SIGKILL else "itself", status)


def _listen(stream: IO[bytes], listen: Callable[[str], None]) -> None:
    with stream:
        while line := stream.readline(_LINE_CAP_BYTES):
            with contextlib.suppress(Exception):  # what a child says must never end its supervision
                listen(line.decode("utf-8", "replace"))


def _keep_log(stream: IO[bytes], file: Path) -> None:
    """Keep the first half of what is allowed as it comes, the last half at the end. A full disk loses the log only."""
    half = LOG_CAP_BYTES // 2
    room, tail, left_out = half, b"", 0
    with stream, contextlib.suppress(OSError), file.open("wb", buffering=0) as log:
        while data := stream.read1(_LINE_CAP_BYTES):  # type: ignore[attr-defined]  # a BufferedReader has it
            first, rest = data[:room], data[room:]
            room -= len(first)
            with contextlib.suppress(OSError):
                log.write(first)
            tail += rest
            left_out += max(0, len(tail) - half)
            tail = tail[-half:]
        if left_out:
            log.write(b"\n... %d bytes left out ...\n" % left_out)
        log.write(tail)


def _kill_group(leader: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(leader, signal.SIGKILL)
