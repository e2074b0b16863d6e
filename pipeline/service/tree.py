"""Looking at what somebody dropped, without following it anywhere.

Folders are walked and files opened one step at a time, relative to the folder above and never through a link, so
that a link put in place between two looks leads nowhere either.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import re
import signal
import stat
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import CaptureError

READY_MARKER = ".ready"
MAX_DEPTH = 40
_PARTIAL = re.compile(
    r".*\.(part|partial|filepart|crdownload|tmp|download)|\..+\.[A-Za-z0-9]{6}", re.IGNORECASE
).fullmatch
_CHECKSUMS = re.compile(r"SHA256SUMS|.*\.sha256").fullmatch
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_FACTS = struct.Struct("<IQQqq")
_F_SETSIG = 10
_LEASED_TYPES = frozenset({0xEF53, 0x58465342, 0x9123683E, 0x01021994})  # ext2-4, xfs, btrfs, tmpfs: linux/magic.h


@dataclass(frozen=True, slots=True)
class Survey:
    """What lies in a dropped folder or file.

    Attributes
    ----------
    files, size : regular files that are no markers, and their bytes together
    signature : changes when anything in there is added, removed, renamed or written
    refused : why it can never be worked; empty when it can
    partial : a file that some copying program has not finished; empty when there is none
    ready : the operator's ``.ready`` marker is there
    listed : a checksum list is there
    """

    files: int
    size: int
    signature: bytes
    refused: str = ""
    partial: str = ""
    ready: bool = False
    listed: bool = False


def survey(path: Path | os.DirEntry[str]) -> Survey:
    """Look at a file or a folder with everything in it. Raises OSError when it goes away or may not be read."""
    status = path.stat(follow_symlinks=False)
    kind = stat.S_IFMT(status.st_mode)
    facts = _facts(path.name, kind, status)
    if kind != stat.S_IFDIR:  # a hundred thousand of these are looked at in a second or two
        return Survey(1, status.st_size, facts, _refusal(path.name, kind))
    seen = _Survey()
    seen.hash.update(facts)
    seen.refused = _refusal(path.name, kind)
    seen.walk(os.fspath(path), "", 0)
    return Survey(
        seen.files, seen.size, seen.hash.digest(), seen.refused, seen.partial, seen.ready, seen.listed
    )  # fmt: skip


def _facts(relative: str, kind: int, status: os.stat_result) -> bytes:
    """What is different once an entry is another one, or was written to."""
    if kind == stat.S_IFDIR:  # its size and times follow from what is in it
        return _FACTS.pack(kind, status.st_ino, 0, 0, 0) + os.fsencode(relative) + b"\0"
    times = (status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    return _FACTS.pack(kind, status.st_ino, *times) + os.fsencode(relative) + b"\0"


class _Survey:
    def __init__(self) -> None:
        self.files = self.size = 0
        self.hash = hashlib.blake2b(digest_size=16)
        self.refused = self.partial = ""
        self.ready = self.listed = False

    def walk(self, folder: str, below: str, depth: int) -> None:
        if depth > MAX_DEPTH:
            self.refused = self.refused or f"its folders are more than {MAX_DEPTH} deep"
            return
        with os.scandir(folder) as entries:
            for entry in sorted(entries, key=lambda entry: entry.name):
                status = entry.stat(follow_symlinks=False)
                self.add(entry.name, below + entry.name, status)
                if stat.S_ISDIR(status.st_mode):
                    self.walk(entry.path, f"{below}{entry.name}/", depth + 1)

    def add(self, name: str, relative: str, status: os.stat_result) -> None:
        kind = stat.S_IFMT(status.st_mode)
        self.hash.update(_facts(relative, kind, status))
        if not self.refused:
            self.refused = _refusal(relative, kind)
        if kind != stat.S_IFREG:
            return
        if name == READY_MARKER:
            self.ready = True
        elif _PARTIAL(name):
            self.partial = self.partial or relative
        elif _CHECKSUMS(name):
            self.listed = True
        elif not name.startswith("."):
            self.files += 1
            self.size += status.st_size


_ODD = {
    stat.S_IFLNK: "a symbolic link",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFBLK: "a device",
    stat.S_IFCHR: "a device",
}


def _refusal(relative: str, kind: int) -> str:
    try:
        relative.encode()
    except UnicodeEncodeError:
        return f"the name {os.fsencode(relative)!r} is not valid UTF-8"
    return f"{relative} is {_ODD[kind]}" if kind in _ODD else ""


def content_hash(path: Path) -> str:
    """Hex SHA-256 over names, sizes and hashes of every file that is no marker.

    Raises
    ------
    CaptureError
        When something in there is neither a file nor a folder.
    """
    whole = hashlib.sha256()
    for relative, handle in open_files(path):
        size = os.fstat(handle).st_size
        with os.fdopen(os.dup(handle), "rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        whole.update(f"{digest} {size} {relative}\n".encode())
    return whole.hexdigest()


def open_files(path: Path) -> Iterator[tuple[str, int]]:
    """Name and open handle of every file below a folder that is no marker, in the order of their names."""
    top = os.open(path, _FOLDER)
    try:
        yield from _open_below(top, "", 0)
    finally:
        os.close(top)


def _open_below(folder: int, below: str, depth: int) -> Iterator[tuple[str, int]]:
    for name in sorted(os.listdir(folder)):
        kind = stat.S_IFMT(os.lstat(name, dir_fd=folder).st_mode)
        refusal = _refusal(below + name, kind)
        if refusal or depth > MAX_DEPTH:
            raise CaptureError(
                f"In the job {refusal or 'folders are nested too deep'}.", "Drop plain files only.", code="not-a-file"
            )
        handle = os.open(name, _FOLDER if kind == stat.S_IFDIR else _FILE, dir_fd=folder)
        try:
            if kind == stat.S_IFDIR:
                yield from _open_below(handle, f"{below}{name}/", depth + 1)
            elif not name.endswith(READY_MARKER):
                yield below + name, handle
        finally:
            os.close(handle)


def writer_of(path: Path) -> str | None:
    """A file that some program here still has open for writing, or None where there is none or nobody can know.

    A read lease is refused while a writer exists. Network and user-space file systems grant it regardless, so
    only those are asked that know. It is given back at once; a writer who comes meanwhile waits for that.
    """
    if path.is_dir():
        try:
            return next((name for name, handle in open_files(path) if _has_writer(handle)), None)
        except CaptureError:
            return None
    handle = os.open(path, _FILE)
    try:
        return path.name if _has_writer(handle) else None
    finally:
        os.close(handle)


def _has_writer(handle: int) -> bool:
    if filesystem_type(handle) not in _LEASED_TYPES or not hasattr(fcntl, "F_SETLEASE"):
        return False
    fcntl.fcntl(handle, _F_SETSIG, signal.SIGURG)  # ignored by default; the usual SIGIO would end the program
    try:
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as error:
        return error.errno == errno.EAGAIN
    fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return False


def filesystem_type(place: Path | int) -> int:
    """The kernel's number for the type of a file system (statfs(2)), 0 where it cannot be learnt."""
    import ctypes

    buffer = ctypes.create_string_buffer(256)
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "fstatfs"):
        return 0
    failed = (
        libc.fstatfs(place, buffer) if isinstance(place, int) else libc.statfs(os.fsencode(place), buffer)
    )  # fmt: skip
    return 0 if failed else int.from_bytes(buffer.raw[:4], "little")
