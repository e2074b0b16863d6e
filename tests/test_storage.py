"""Files are written whole or not at all, and a write that fails leaves nothing in the way."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from pipeline.storage import write_whole


def test_a_write_that_fails_keeps_the_old_file_and_takes_no_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "page.html"
    write_whole(file, b"old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_whole(file, b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]
    assert file.read_bytes() == b"old"
