"""Files that appear whole or not at all, their hashes, and what the program ships with itself."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
from collections.abc import Iterator
from itertools import count
from pathlib import Path

FULL = (errno.ENOSPC, errno.EDQUOT)
"""What a disk says that takes no more, or no more of this user."""


def sha256_of(path: Path) -> str:
    """Hex SHA-256 of a file's bytes (FIPS 180-4)."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that readers see the old one or the new one, never a part of it."""
    staged = path.with_name(f".{path.name}.part")
    try:
        with staged.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        staged.replace(path)
    except OSError:
        with contextlib.suppress(OSError):  # on a full disk it would keep the last room from what still fits
            staged.unlink()
        raise
    sync_folder(path.parent)


def numbered(name: str) -> Iterator[str]:
    """Names for things that would have the same: it as it is, then ``name--2`` and so on."""
    yield name
    for number in count(2):
        yield f"{name}--{number}"


def sync_folder(folder: Path) -> None:
    """Make renames inside a folder survive a power cut."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def shipped(name: str) -> Path:
    """A folder that comes with the program: ``configs`` or ``inbox_example``."""
    package = Path(__file__).parent
    inside = package / "shipped" / name
    return inside if inside.is_dir() else package.parent / name
