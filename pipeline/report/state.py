"""What waited, and how the machine stood, when a night's report was first written."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.manifest import now
from pipeline.storage import write_whole

STATE_FILE = "state.json"


class NightState(BaseModel):
    """The one thing in a report that no manifest tells; kept beside the report, so that it can be written again."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    at: datetime
    waiting: tuple[str, ...] = ()
    """Jobs in the queue and entries of the inbox that had not been worked, with what there is to say of each."""
    problems: tuple[str, ...] = ()
    disk_free_bytes: int
    disk_bytes: int
    processors: int
    memory_bytes: int


def present_state(site: Path, waiting: Sequence[str], problems: Sequence[str]) -> NightState:
    """The state of a site's machine now, with what waits and what is wrong, in words."""
    import psutil

    disk = shutil.disk_usage(site)
    return NightState(
        at=now(),
        waiting=tuple(waiting),
        problems=tuple(problems),
        disk_free_bytes=disk.free,
        disk_bytes=disk.total,
        processors=os.cpu_count() or 1,
        memory_bytes=psutil.virtual_memory().total,
    )


def write_state(folder: Path, state: NightState) -> None:
    """Keep the state beside the report."""
    write_whole(folder / STATE_FILE, (state.model_dump_json(indent=1) + "\n").encode())


def read_state(folder: Path) -> NightState | None:
    """The state that was kept; None where there is none."""
    try:
        return NightState.model_validate_json((folder / STATE_FILE).read_bytes())
    except (OSError, ValidationError):
        return None
