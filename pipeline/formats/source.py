"""An operator's file, opened so that nothing in it is believed and nothing else can be reached through it."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CaptureError

ByteArray = NDArray[np.uint8]

EXPORT_AGAIN = "Copy it again, or export it again from the scanner's software."
HEAD = 65_536
"""Bytes looked at before anything else is read; a header must end within them."""
_BLANK = bytes.maketrans(b"\t\r\v\f", b"    ")
_KINDS = {stat.S_ISLNK: "a symbolic link", stat.S_ISDIR: "a folder", stat.S_ISFIFO: "a pipe", stat.S_ISSOCK: "a socket"}


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """What a capture file may hold at most."""

    points: int = 100_000_000
    bytes: int = 8 * 1024**3


@dataclass(frozen=True, eq=False, slots=True)
class Source:
    """An open file whose size and beginning are known.

    It is read, not mapped: a mapped file that somebody shortens kills the process that looks at it.
    """

    name: str
    size: int
    head: bytes
    limits: ReadLimits
    handle: int

    def error(
        self, text: str, *, line: int | None = None, byte: int | None = None, remedy: str = EXPORT_AGAIN
    ) -> CaptureError:
        """The error to raise: file, what, where, remedy, on one line."""
        where = f", line {line}" if line is not None else f", byte {byte}" if byte is not None else ""
        return CaptureError(f"{self.name}{where}: {printable(text)}.", remedy)

    def block(self, offset: int, size: int) -> ByteArray:
        """Exactly ``size`` bytes from ``offset``, as an array of its own."""
        if offset < 0 or size < 0 or offset + size > self.size:
            raise self.error(f"the file ends after {self.size} bytes, {offset + size} are needed")
        data = np.empty(size, np.uint8)
        view, done = data.data, 0
        while done < size:
            got = os.preadv(self.handle, [view[done:]], offset + done)
            if got == 0:
                raise self.error("the file became shorter while it was read", remedy="Wait until it is copied whole.")
            done += got
        return data

    def text(self, offset: int = 0) -> ByteArray:
        """The rest of a text file: lines end in ``\\n``, all other white space is a blank, byte order mark gone."""
        self.refuse_binary(self.head)
        data = self.block(offset, self.size - offset).tobytes()
        self.refuse_binary(data)
        if b"\r" in data and b"\n" not in data:
            data = data.replace(b"\r", b"\n")
        data = data.translate(_BLANK)
        if offset == 0:
            data = data.removeprefix(b"\xef\xbb\xbf")
        return np.frombuffer(data if data.endswith(b"\n") else data + b"\n", np.uint8)

    def refuse_binary(self, data: bytes) -> None:
        """Text has no zero bytes; UTF-16 text has one in every character."""
        if self.head[:2] in (b"\xff\xfe", b"\xfe\xff"):
            raise self.error("the text is in UTF-16", remedy="Export it as plain (ASCII or UTF-8) text.")
        if (at := data.find(0)) >= 0:
            raise self.error("there are zero bytes where text is expected", byte=at)

    def refuse_count(self, count: int, what: str = "points") -> None:
        """Raise when there is more than the limits allow."""
        if count > self.limits.points:
            text = f"{count} {what} are more than the {self.limits.points} allowed"
            raise self.error(text, remedy="Export fewer points, or raise the limit.")

    def refuse_trailing(self, rest: ByteArray, at: int) -> None:
        """Only padding, white space or zeros, may follow the data."""
        odd = np.flatnonzero(~np.isin(rest, np.frombuffer(b"\0 \t\r\n", np.uint8)))
        if len(odd):
            raise self.error(f"{len(rest)} bytes follow after the end of the data", byte=at + int(odd[0]))


@contextmanager
def opened(path: Path, limits: ReadLimits) -> Iterator[Source]:
    """Open a regular file: no link is followed, no pipe waited for, nothing above the byte limit read.

    Raises
    ------
    CaptureError
        For anything that is not a readable, non-empty regular file within the limits.
    """
    name = printable(path.name)
    try:
        kind = path.lstat().st_mode
        _refuse_kind(name, kind)
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise CaptureError(f"{name}: cannot be opened: {error.strerror}.", "Check the file and its rights.") from error
    try:
        state = os.fstat(handle)
        _refuse_kind(name, state.st_mode)
        if state.st_size == 0:
            raise CaptureError(f"{name}: the file is empty.", EXPORT_AGAIN)
        if state.st_size > limits.bytes:
            text = f"{name}: {state.st_size} bytes are more than the {limits.bytes} allowed."
            raise CaptureError(text, "Export fewer points, or raise the limit.")
        yield Source(name, state.st_size, os.pread(handle, HEAD, 0), limits, handle)
    except OSError as error:
        raise CaptureError(f"{name}: cannot be read: {error.strerror}.", "Check the disk or network share.") from error
    finally:
        os.close(handle)


def printable(text: str) -> str:
    """Text from a file, safe to show: one line, no control characters, not endless."""
    shown = "".join(c if c.isprintable() else "?" for c in text)
    return shown if len(shown) <= 300 else shown[:297] + "..."


def quoted(data: bytes) -> str:
    """A few bytes of a file, for a message."""
    text = data[:40].decode("ascii", "replace").replace("\ufffd", "?")
    return f"'{text}{'...' if len(data) > 40 else ''}'"


def _refuse_kind(name: str, mode: int) -> None:
    if stat.S_ISREG(mode):
        return
    kind = next((word for test, word in _KINDS.items() if test(mode)), "a device")
    raise CaptureError(f"{name}: is {kind}, not a file.", "Put the exported file itself there.")
