"""``removed-<stage>-<n>.ply``: the points that a cleaning stage took from the n-th capture, and why."""

from __future__ import annotations

import re
from enum import IntEnum
from pathlib import Path

import numpy as np

from pipeline.formats.writing import write_points
from pipeline.part import Capture

_NAME = re.compile(r"removed-[a-z-]+-\d+\.ply")


class Why(IntEnum):
    """Why a point was removed: the property ``uchar reason``."""

    KEPT = 0
    STRAY = 1
    FLYING = 2
    FLOATING_GROUP = 3
    BOARD = 4
    RISER = 5
    CLUTTER = 6
    FOREIGN = 7


def write_removed(folder: Path, stage: str, number: int, capture: Capture, why: np.ndarray) -> None:
    """Write what a stage removed from a capture; nothing where nothing was removed.

    Parameters
    ----------
    number : of the capture in its job, from 1
    capture : before the stage; its frame is the file's
    why : (n,) one ``Why`` per point, 0 for those kept
    """
    gone = why != Why.KEPT
    if not gone.any():
        return
    write_points(
        folder / f"removed-{stage}-{number}.ply",
        capture.points[gone],
        normals=None if capture.normals is None else capture.normals[gone],
        colours=None if capture.colours is None else capture.colours[gone],
        reason=why[gone].astype(np.uint8),
    )


def is_removed_file(name: str) -> bool:
    """Whether a file's name is one of these."""
    return _NAME.fullmatch(name) is not None
