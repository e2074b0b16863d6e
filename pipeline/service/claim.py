"""Taking a job: one rename from the inbox into ``raw``. Of several who try, the file system lets one win."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
from pathlib import Path

from pipeline.service.inbox import Arrival, companions
from pipeline.service.tree import survey, writer_of
from pipeline.site import Site
from pipeline.storage import numbered, sync_folder

_AT_FDCWD = -100
_RENAME_NOREPLACE = 1


class NotNow(Exception):
    """The arrival cannot be taken at present; the text says why. Nothing was changed."""


def claim(site: Site, arrival: Arrival, *, ask_for_writers: bool) -> str:
    """Move an arrival into ``raw`` under a name that nothing else has; that name.

    Raises
    ------
    NotNow
        When it has changed since it was looked at, or some program still writes to it, or it has gone.
    OSError
        When the file system refuses.
    """
    source = site.inbox / arrival.entry
    try:
        seen = survey(source)
        if seen.signature != arrival.seen.signature:
            raise NotNow("it is still changing")
        writer = writer_of(source) if ask_for_writers else None
    except FileNotFoundError as error:
        raise NotNow("it has gone") from error
    if writer is not None:
        raise NotNow(f"a program still has {writer} open for writing")
    for job in numbered(arrival.job):
        if _taken(site, job):
            continue
        try:
            _take(source, site.raw / job, arrival)
        except FileExistsError:
            continue
        except FileNotFoundError as error:
            raise NotNow("it has gone") from error
        sync_folder(site.raw)
        sync_folder(site.inbox)
        return job
    raise AssertionError("names are endless")


def _taken(site: Site, job: str) -> bool:
    return any(os.path.lexists(place / job) for place in (site.raw, site.work, site.delivered, site.attention))


def _take(source: Path, target: Path, arrival: Arrival) -> None:
    if arrival.folder:
        rename_to_free(source, target)
        return
    target.mkdir()
    try:
        for companion in companions(source.parent, arrival.entry):
            companion.rename(target / companion.name)
        source.rename(target / source.name)
    except OSError:
        with contextlib.suppress(OSError):
            for moved in target.iterdir():
                moved.rename(source.parent / moved.name)
            target.rmdir()
        raise
    sync_folder(target)


def rename_to_free(source: Path, target: Path) -> None:
    """Rename onto a name that must be free. Raises FileExistsError when it is not.

    A plain rename would silently replace an empty folder. Some file systems refuse the flag that prevents this:
    there the name is looked up first, and the caller's lock on the site keeps others away.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    if hasattr(libc, "renameat2"):
        arguments = (_AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(target), _RENAME_NOREPLACE)
        if libc.renameat2(*arguments) == 0:
            return
        number = ctypes.get_errno()
        if number not in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
            raise OSError(number, os.strerror(number), str(source), None, str(target))
    if os.path.lexists(target):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    source.rename(target)
