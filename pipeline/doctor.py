"""What this machine has and lacks, each lack with its remedy."""

from __future__ import annotations

import ctypes.util
import importlib.metadata
import os
import platform
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.geometry.native import SYSTEM_PACKAGES

MIN_MEMORY_GIB = 4
MIN_DISK_GB = 5
MIN_WATCHES = 8192
_PROBES = {
    "open3d": "from pipeline.geometry.native import open3d as m; m().geometry.PointCloud()",
    "pymeshlab": "from pipeline.geometry.native import pymeshlab as m; m().MeshSet()",
    "lib3mf": "import lib3mf; lib3mf.get_wrapper()",
    "scipy": "import scipy.spatial",
}
_LIBRARY_PACKAGES = {"EGL": "libegl1", "GL": "libgl1", "OpenGL": "libopengl0", "X11": "libx11-6", "gomp": "libgomp1"}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: what it is, whether it will do, what was found, what to do where it will not."""

    subject: str
    good: bool
    found: str
    remedy: str = ""


def examine(folder: Path) -> Iterator[Finding]:
    """Look at Python, the native libraries (each loaded in a process of its own), memory, disk, file watching."""
    yield _python()
    yield _system_libraries()
    for name in _PROBES:
        yield _library(name)
    yield _memory()
    yield _disk(folder)
    yield _watching()


def _python() -> Finding:
    good = sys.version_info >= (3, 11)
    return Finding("python", good, platform.python_version(), "" if good else "Install Python 3.11 or newer.")


def _system_libraries() -> Finding:
    if sys.platform != "linux":
        return Finding("system libraries", True, "nothing needed here")
    missing = [package for name, package in _LIBRARY_PACKAGES.items() if ctypes.util.find_library(name) is None]
    if not missing:
        return Finding("system libraries", True, "all there")
    remedy = f"sudo apt-get install -y {' '.join(missing)}"
    return Finding("system libraries", False, f"not found: {', '.join(missing)}", remedy)


def _library(name: str) -> Finding:
    """Load it in a child: what crashes there must not take the doctor along."""
    try:
        done = subprocess.run(
            [sys.executable, "-c", _PROBES[name]], capture_output=True, encoding="utf-8", errors="replace", timeout=120
        )
    except subprocess.TimeoutExpired:
        return Finding(name, False, "did not load within two minutes", "Look for a full disk or a very slow one.")
    if done.returncode == 0:
        return Finding(name, True, _version(name))
    last = (done.stderr.strip().splitlines() or [f"ended with {done.returncode}"])[-1]
    return Finding(name, False, last, f"sudo apt-get install -y {' '.join(SYSTEM_PACKAGES)}; then doctor again")


def _version(name: str) -> str:
    for distribution in (name, f"{name}-cpu"):
        try:
            return importlib.metadata.version(distribution)
        except importlib.metadata.PackageNotFoundError:
            continue
    return "loaded"


def _memory() -> Finding:
    gib = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    good = gib >= MIN_MEMORY_GIB
    remedy = "" if good else f"{MIN_MEMORY_GIB} GiB work a million points; use a machine with more for larger captures."
    return Finding("memory", good, f"{gib:.1f} GiB, {os.cpu_count()} processors", remedy)


def _disk(folder: Path) -> Finding:
    gb = shutil.disk_usage(folder).free / 1e9
    good = gb >= MIN_DISK_GB
    remedy = "" if good else f"Free some space: {MIN_DISK_GB} GB at least, six times a job's captures while it runs."
    return Finding("disk", good, f"{gb:.0f} GB free at {folder.resolve()}", remedy)


def _watching() -> Finding:
    limit = Path("/proc/sys/fs/inotify/max_user_watches")
    if not limit.is_file():
        return Finding("file watching", True, "no limit known here; folders are also read once a minute")
    watches = int(limit.read_text(encoding="utf-8"))
    good = watches >= MIN_WATCHES
    remedy = (
        ""
        if good
        else f"sudo sysctl fs.inotify.max_user_watches={MIN_WATCHES * 8} (folders are also read once a minute)"
    )
    return Finding("file watching", good, f"{watches} folders can be watched", remedy)
