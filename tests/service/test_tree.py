"""Looking at what was dropped: nothing is followed, every change is seen."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from pipeline.errors import CaptureError
from pipeline.service.tree import content_hash, survey, writer_of


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    (folder / "inner").mkdir(parents=True)
    (folder / "a.ply").write_bytes(b"one")
    (folder / "inner" / "b.ply").write_bytes(b"two")
    return folder


def test_a_survey_counts_captures_and_not_markers(job: Path) -> None:
    (job / ".ready").touch()
    (job / "SHA256SUMS").write_text("x", encoding="utf-8")
    seen = survey(job)
    assert (seen.files, seen.size, seen.ready, seen.listed, seen.refused) == (2, 6, True, True, "")


def changes(job: Path):  # type: ignore[no-untyped-def]
    yield "append", lambda: (job / "a.ply").open("ab").write(b"!")
    yield "same size", lambda: (job / "a.ply").write_bytes(b"eno")
    yield "new", lambda: (job / "c.ply").touch()
    yield "deep", lambda: (job / "inner" / "c").mkdir()
    yield "renamed", lambda: (job / "a.ply").rename(job / "z.ply")
    yield "gone", lambda: (job / "inner" / "b.ply").unlink()
    yield "marker", lambda: (job / ".ready").touch()


@pytest.mark.parametrize("what", range(7))
def test_every_change_changes_the_signature(job: Path, what: int) -> None:
    before = survey(job)
    name, change = list(changes(job))[what]
    os.utime(job / "a.ply", ns=(1, 1))
    before = survey(job)
    change()
    assert survey(job).signature != before.signature, name


def test_replacing_a_file_by_one_of_the_same_size_and_time_is_seen(job: Path) -> None:
    before, status = survey(job), (job / "a.ply").stat()
    (job / "new").write_bytes(b"two")
    os.utime(job / "new", ns=(status.st_atime_ns, status.st_mtime_ns))
    (job / "new").rename(job / "a.ply")
    assert survey(job).signature != before.signature


def odd(folder: Path, kind: str) -> None:
    if kind == "link":
        (folder / "x.ply").symlink_to("/etc/passwd")
    elif kind == "folder link":
        (folder / "x").symlink_to("/etc")
    elif kind == "pipe":
        os.mkfifo(folder / "x.ply")
    elif kind == "socket":
        os.chdir(folder)
        socket.socket(socket.AF_UNIX).bind("x.ply")
    else:
        os.close(os.open(os.fsencode(folder) + b"/x\xff.ply", os.O_CREAT | os.O_WRONLY))


@pytest.mark.parametrize("kind", ["link", "folder link", "pipe", "socket", "bytes"])
def test_what_is_no_file_is_refused_and_not_opened(job: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(job)
    odd(job / "inner", kind)
    assert survey(job).refused
    with pytest.raises(CaptureError):
        content_hash(job)


def test_a_tree_that_is_too_deep_is_refused(tmp_path: Path) -> None:
    deep = tmp_path / "job" / Path(*["d"] * 60)
    deep.mkdir(parents=True)
    assert "deep" in survey(tmp_path / "job").refused
    with pytest.raises(CaptureError):
        content_hash(tmp_path / "job")


@pytest.mark.parametrize("name", ["a.ply.part", "a.ply.filepart", ".a.ply.Xy12Zb", "a.crdownload"])
def test_files_of_copying_programs_are_known(job: Path, name: str) -> None:
    (job / name).touch()
    assert survey(job).partial.endswith(name)


def test_the_hash_is_of_names_and_bytes_only(job: Path, tmp_path: Path) -> None:
    before = content_hash(job)
    os.utime(job / "a.ply", ns=(1, 1))
    (job / ".ready").touch()
    assert content_hash(job) == before
    (job / "a.ply").rename(job / "c.ply")
    assert content_hash(job) != before


def test_a_writer_is_noticed_while_it_has_the_file_open(job: Path) -> None:
    if writer_of(job) is None:
        with (job / "a.ply").open("ab"):
            found = writer_of(job)
        if found is None:
            pytest.skip("this file system does not tell")
        assert found == "a.ply"
    assert writer_of(job) is None


def test_a_writer_that_comes_while_we_ask_is_not_harmed(job: Path) -> None:
    for _ in range(50):
        writer_of(job)
        with (job / "a.ply").open("ab") as file:
            file.write(b"x")
