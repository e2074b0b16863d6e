"""The one place that loads the heavy native libraries, late and in the right order.

open3d costs 1-2 s of CPU and 100 MB to import, so nothing loads it before work needs it. It links against
libusb; the PyPI package ``libusb-package`` carries one for servers that have none, and it must be in the
process before open3d.
"""

from __future__ import annotations

import ctypes
import sys
from functools import cache
from typing import Any

from pipeline.errors import MachineError

SYSTEM_PACKAGES = ("libegl1", "libgl1", "libopengl0", "libx11-6", "libgomp1")


@cache
def open3d() -> Any:
    """The open3d module, with its console chatter off.

    Raises
    ------
    MachineError
        When it cannot be loaded; names the missing system library and the remedy.
    """
    if sys.platform == "linux":
        _preload_libusb()
    try:
        import open3d as module
    except (ImportError, OSError) as error:
        raise _cannot_load("open3d", error) from error
    module.utility.set_verbosity_level(module.utility.VerbosityLevel.Error)
    return module


@cache
def pymeshlab() -> Any:
    """The pymeshlab module. Raises MachineError when it cannot be loaded."""
    try:
        import pymeshlab as module
    except (ImportError, OSError) as error:
        raise _cannot_load("pymeshlab", error) from error
    return module


def _preload_libusb() -> None:
    try:
        import libusb_package

        ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError):
        pass  # the system's own libusb may be there; open3d's import tells


def _cannot_load(name: str, error: Exception) -> MachineError:
    return MachineError(
        f"{name} cannot be loaded on this machine: {error}.",
        f"On Debian or Ubuntu: apt-get install {' '.join(SYSTEM_PACKAGES)}",
        code="library-missing",
    )
