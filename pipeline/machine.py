"""What the process costs and what it runs on: time, memory, versions."""

from __future__ import annotations

import importlib.metadata
import platform
import re
import resource
from pathlib import Path

import pipeline

_LIBRARIES = (
    "numpy", "scipy", "open3d", "open3d-cpu", "pymeshlab", "fast-simplification", "lib3mf", "pydantic"
)  # fmt: skip


def software() -> dict[str, str]:
    """Versions of everything that a deliverable's bytes depend on."""
    versions = {"nightmill": pipeline.__version__, "python": platform.python_version(), "platform": platform.platform()}
    for name in _LIBRARIES:
        try:
            versions[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    return versions


def cpu_seconds() -> float:
    """Processor time of this process so far, all threads."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def forget_peak_memory() -> None:
    """Start a new peak, where the kernel allows it (Linux: clear_refs 5); elsewhere the peak is since the start."""
    try:
        Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")
    except OSError:
        return


def peak_mib() -> float:
    """Largest resident memory since ``forget_peak_memory``, MiB."""
    try:
        found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text(encoding="utf-8"))
        if found:
            return int(found.group(1)) / 1024
    except OSError:
        pass
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
