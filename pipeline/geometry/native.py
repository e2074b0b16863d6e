"""The one place that loads the heavy native libraries, late and in the right order.

open3d costs a second of CPU and 100 MB to import, so nothing loads it before work needs it; as much again, for a
plotting front end that brings a web server along, is left out. It links against libusb; the PyPI package
``libusb-package`` carries one for servers that have none, and it must be in the process before open3d.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

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
        with _without_plotting():
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


def ray_scene(vertices: NDArray[Any], faces: NDArray[Any]) -> Any:
    """Triangles (n, 3) and (m, 3) for ray casting and nearest places, in 32 bit.

    One thread builds its tree: with more, it is another tree each time, and of two faces that touch now the one and
    now the other answers.
    """
    o3d = open3d()
    scene = o3d.t.geometry.RaycastingScene(nthreads=1)
    corners, numbers = np.ascontiguousarray(vertices, np.float32), np.ascontiguousarray(faces, np.uint32)
    scene.add_triangles(o3d.core.Tensor(corners), o3d.core.Tensor(numbers))
    return scene


@contextmanager
def _without_plotting() -> Iterator[None]:
    """Nobody plots in a browser here: an empty module stands in while open3d imports its own, and goes again."""
    name = "open3d.visualization.draw_plotly"
    empty = ModuleType(name)
    for function in ("get_plotly_fig", "draw_plotly", "draw_plotly_server"):
        setattr(empty, function, None)
    sys.modules.setdefault(name, empty)
    try:
        yield
    finally:
        if sys.modules.get(name) is empty:
            del sys.modules[name]


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
