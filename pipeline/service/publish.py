"""A result appears in its folder whole, or not at all, and never on top of somebody's files."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.manifest import MANIFEST_FILE, read_manifest
from pipeline.storage import sync_folder

OWN_FILES = {MANIFEST_FILE, "REASON.txt", "work.log", "removed.ply"}


@contextmanager
def staged(target: Path) -> Iterator[Path]:
    """A private folder beside ``target`` that becomes ``target`` when the block ends well.

    An earlier result of the same name is replaced, when everything in it is ours.

    Raises
    ------
    UsageError
        When ``target`` holds anything that nightmill did not write.
    """
    refuse_foreign(target)
    target.parent.mkdir(parents=True, exist_ok=True)
    folder = target.parent / f".{target.name}.{os.getpid()}.work"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    try:
        yield folder
        for file in folder.iterdir():
            _sync_file(file)
        sync_folder(folder)
        _put(folder, target)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def refuse_foreign(target: Path) -> None:
    """Raise UsageError when ``target`` exists and is not just an earlier result of ours."""
    if not target.exists() and not target.is_symlink():
        return
    ours = set(OWN_FILES)
    if (target / MANIFEST_FILE).is_file():
        ours |= {record.file for record in read_manifest(target).deliverables}
        foreign = sorted(entry.name for entry in target.iterdir() if entry.name not in ours)
    else:
        foreign = [target.name]
    if foreign:
        raise UsageError(
            f"{target} holds files that are not an earlier result: {', '.join(foreign[:5])}.",
            "Move them away, or choose another --out.",
        )


def _put(folder: Path, target: Path) -> None:
    if target.exists():
        old = target.parent / f".{target.name}.{os.getpid()}.old"
        target.rename(old)
        folder.rename(target)
        shutil.rmtree(old)
    else:
        folder.rename(target)
    sync_folder(target.parent)


def _sync_file(file: Path) -> None:
    handle = os.open(file, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
