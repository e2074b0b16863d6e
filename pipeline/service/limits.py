"""What a child process does to itself before any work: die with its parent, stay within memory and processors.

The child limits itself because code between fork and exec is not safe in a parent with threads.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import resource
import signal
import sys
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from pipeline.errors import UsageError

_PR_SET_PDEATHSIG = 1
_FIRST_TO_GO = "500"  # the kernel's out-of-memory killer takes the child, not the service


class Limits(BaseModel):
    """Bounds of one child."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    memory_bytes: int
    cpus: tuple[int, ...]
    parent: int

    def apply(self) -> None:
        """Put this process under the limits. Ends it when its parent has gone already."""
        if sys.platform == "linux":
            ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
            if os.getppid() != self.parent:
                os._exit(0)
            os.sched_setaffinity(0, self.cpus)
            with contextlib.suppress(OSError):
                Path("/proc/self/oom_score_adj").write_text(_FIRST_TO_GO, encoding="utf-8")
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (self.memory_bytes, self.memory_bytes))


@dataclass(frozen=True, slots=True)
class Allowance:
    """What one job may use."""

    memory_bytes: int
    seconds: float
    cpus: tuple[int, ...]

    @classmethod
    def of_this_machine(cls) -> Allowance:
        """Nine tenths of the memory, all processors, six hours."""
        memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
        return cls(int(memory * 0.9), 6 * 3600, tuple(sorted(os.sched_getaffinity(0))))

    def limited(self, *, gib: float | None, minutes: float | None, threads: int | None) -> Allowance:
        """This allowance with what is given in its place. Raises UsageError for a value that allows nothing."""
        for name, value in (("--memory-gib", gib), ("--minutes", minutes), ("--threads", threads)):
            if value is not None and not value > 0:
                raise UsageError(f"{name} {value:g} allows nothing.", "Give a number above 0.")
        return Allowance(
            self.memory_bytes if gib is None else int(gib * 2**30),
            self.seconds if minutes is None else minutes * 60,
            self.cpus if threads is None else self.cpus[:threads],
        )

    def shared(self, workers: int) -> list[Allowance]:
        """One allowance for each of so many workers: equal memory, processors of their own where there are enough."""
        return [
            Allowance(self.memory_bytes // workers, self.seconds, self.cpus[i::workers] or self.cpus)
            for i in range(workers)
        ]

    def limits(self) -> Limits:
        """The bounds for a child of this process."""
        return Limits(memory_bytes=self.memory_bytes, cpus=self.cpus, parent=os.getpid())

    def environment(self) -> dict[str, str]:
        """Variables that hold numerical libraries to as many threads as there are processors."""
        names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
        return dict.fromkeys(names, str(len(self.cpus)))
