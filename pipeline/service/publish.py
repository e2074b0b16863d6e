"""A result appears in its folder whole, or not at all, and never on top of somebody's files."""

from __future__ import annotations

import grp
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import MachineError, Outcome, UsageError
from pipeline.formats.removed import is_removed_file
from pipeline.manifest import MANIFEST_FILE, Manifest, read_manifest
from pipeline.service.attention import write_reason
from pipeline.service.claim import rename_to_free
from pipeline.site import Results, Site
from pipeline.storage import FULL, sync_folder

DELIVERED = (Outcome.ACCEPTED, Outcome.REVIEW)
OWN_FILES = {
    MANIFEST_FILE, "REASON.txt", "work.log", "evidence.ply",
    "index.html", "delivery-note.html", "previews",
}  # fmt: skip


@contextmanager
def staged(target: Path) -> Iterator[Path]:
    """A private folder beside ``target`` that becomes ``target`` when the block ends well.

    An earlier result of the same name is replaced, when everything in it is ours.

    Raises
    ------
    UsageError
        When ``target`` holds anything that nightmill did not write, or nothing can be written beside it.
    MachineError
        When the disk is full.
    """
    refuse_foreign(target)
    folder = target.parent / f".{target.name}.{os.getpid()}.work"
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
    except OSError as error:
        raise UsageError(
            f"Nothing can be written into {target.parent}: {error.strerror}.", "Name another folder, or free this one."
        ) from error
    try:
        yield folder
        sync_tree(folder)
        _put(folder, target)
    except OSError as error:
        if error.errno not in FULL:
            raise
        text = f"There was no room left to write to in {target.parent}: {error.strerror}."
        raise MachineError(text, "The captures are untouched. Make room, and work the job again.") from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def refuse_foreign(target: Path) -> None:
    """Raise UsageError when ``target`` exists and is not just an earlier result of ours."""
    if not target.exists() and not target.is_symlink():
        return
    ours = set(OWN_FILES)
    if (target / MANIFEST_FILE).is_file():
        ours |= {record.file for record in read_manifest(target).deliverables}
        names = {entry.name for entry in target.iterdir()} - ours
        foreign = sorted(name for name in names if not is_removed_file(name))
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


def publish(site: Site, folder: Path, manifest: Manifest, attempt: int) -> Path:
    """Make an attempt's folder the job's result; where it lies now.

    Files are on the disk before the folder gets its place, and it gets it by one rename. An earlier result is
    first moved aside into ``work``, whoever has put files of their own into it.
    """
    for leftover in folder.glob(".*.part"):
        leftover.unlink()
    write_reason(folder, manifest, site)
    set_permissions(folder, site.settings.results)
    sync_tree(folder)
    for place in (site.delivered, site.attention):
        if os.path.lexists(place / manifest.job):
            aside = site.work / manifest.job / f"earlier-{attempt}-{place.name}"
            rename_to_free(place / manifest.job, aside)
            sync_folder(aside.parent)
            sync_folder(place)
    target = (site.delivered if manifest.outcome in DELIVERED else site.attention) / manifest.job
    rename_to_free(folder, target)
    sync_folder(target.parent)
    sync_folder(folder.parent)
    return target


def set_permissions(folder: Path, results: Results) -> None:
    """Group and permissions of a result, as the site wants them."""
    group = None if results.group is None else grp.getgrnam(results.group).gr_gid
    for path in (folder, *(path for path in folder.rglob("*") if not path.is_symlink())):
        if group is not None:
            os.chown(path, -1, group, follow_symlinks=False)
        mode = results.folder_mode if path.is_dir() else results.file_mode
        if mode is not None:
            path.chmod(int(mode, 8))


def sync_tree(folder: Path) -> None:
    """Put a folder with everything in it on the disk, innermost first. Raises OSError for a link in it."""
    for entry in folder.iterdir():
        if entry.is_dir() and not entry.is_symlink():
            sync_tree(entry)
        else:
            _sync_file(entry)
    sync_folder(folder)


def _sync_file(file: Path) -> None:
    handle = os.open(file, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
