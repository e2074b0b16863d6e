"""One service a site: two locks, one beside the journal (this host) and one in the site (others on the share)."""

from __future__ import annotations

import fcntl
import os
import platform
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.site import Site

LOCK_FILE = ".lock"


@contextmanager
def only_one(site: Site) -> Iterator[None]:
    """Hold the site. Raises UsageError when another service has it."""
    beside_journal = site.journal.with_name(site.journal.name + LOCK_FILE)
    with ExitStack() as held:
        for file in dict.fromkeys((beside_journal, site.root / LOCK_FILE)):
            held.enter_context(_held(file))
        yield


def is_served(site: Site) -> bool:
    """Whether a service has the site now."""
    try:
        with (site.root / LOCK_FILE).open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return False


@contextmanager
def _held(file: Path) -> Iterator[None]:
    file.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(handle, 200, 0).decode("utf-8", "replace").strip()
            raise UsageError(
                f"Another nightmill works on this site ({holder or file}).", "Wait for it to end, or stop it."
            ) from error
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"process {os.getpid()} on {platform.node()}\n".encode(), 0)
        yield
    finally:
        os.close(handle)
