"""Claims: one rename, one winner, nothing overwritten."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline.formats import CAPTURE_SUFFIXES
from pipeline.service import claim as module
from pipeline.service.claim import NotNow, claim, rename_to_free
from pipeline.service.inbox import Arrival, look
from pipeline.service.tree import writer_of
from pipeline.site import Site


def arrival(site: Site) -> Arrival:
    (found,) = look(site.inbox, CAPTURE_SUFFIXES).arrivals
    return found


def drop(site: Site, name: str = "tiller") -> Arrival:
    (site.inbox / name).mkdir()
    (site.inbox / name / "a.ply").write_bytes(b"1")
    return arrival(site)


def test_a_claim_moves_the_very_files(site: Site) -> None:
    found = drop(site)
    inode = (site.inbox / "tiller" / "a.ply").stat().st_ino
    assert claim(site, found, ask_for_writers=True) == "tiller"
    assert (site.raw / "tiller" / "a.ply").stat().st_ino == inode
    assert list(site.inbox.iterdir()) == []


def test_a_single_file_takes_its_marker_and_list_along(site: Site) -> None:
    for name in ("cleat.ply", "cleat.ply.ready", "cleat.ply.sha256"):
        (site.inbox / name).write_text("x", encoding="utf-8")
    assert claim(site, arrival(site), ask_for_writers=True) == "cleat"
    assert sorted(path.name for path in (site.raw / "cleat").iterdir()) == [
        "cleat.ply",
        "cleat.ply.ready",
        "cleat.ply.sha256",
    ]
    assert list(site.inbox.iterdir()) == []


@pytest.mark.parametrize("place", ["raw", "work", "delivered", "attention"])
def test_a_name_that_is_taken_anywhere_is_not_given_again(site: Site, place: str) -> None:
    (site.root / place / "tiller").mkdir()
    assert claim(site, drop(site), ask_for_writers=True) == "tiller--2"


def test_what_changed_or_went_is_not_claimed(site: Site) -> None:
    found = drop(site)
    (site.inbox / "tiller" / "b.ply").touch()
    with pytest.raises(NotNow, match="changing"):
        claim(site, found, ask_for_writers=True)
    (site.inbox / "tiller").rename(site.root / "elsewhere")
    with pytest.raises(NotNow, match="gone"):
        claim(site, found, ask_for_writers=True)
    assert list(site.raw.iterdir()) == []


def test_what_somebody_writes_is_not_claimed(site: Site) -> None:
    found = drop(site)
    with (site.inbox / "tiller" / "a.ply").open("ab"):
        if writer_of(site.inbox / "tiller") is None:
            pytest.skip("this file system does not tell of writers")
        with pytest.raises(NotNow, match=r"a\.ply"):
            claim(site, found, ask_for_writers=True)


def test_of_many_claimants_one_wins(site: Site) -> None:
    for i in range(100):
        (site.inbox / f"{i}.ply").write_bytes(b"%d" % i)
    found = look(site.inbox, CAPTURE_SUFFIXES).arrivals

    def try_all(order: int) -> int:
        won = 0
        for one in found[:: 1 if order % 2 else -1]:
            try:
                claim(site, one, ask_for_writers=False)
                won += 1
            except NotNow:
                continue
        return won

    with ThreadPoolExecutor(4) as pool:
        won = sum(pool.map(try_all, range(4)))
    files = list(site.raw.rglob("*.ply"))
    assert won == 100
    assert sorted(file.read_bytes() for file in files) == sorted(b"%d" % i for i in range(100))


def test_a_claim_that_fails_half_way_puts_everything_back(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("cleat.ply", "cleat.ply.ready"):
        (site.inbox / name).write_text("x", encoding="utf-8")
    found = arrival(site)
    real = Path.rename

    def rename(self: Path, target: Path) -> Path:
        if self.name == "cleat.ply":
            raise OSError(5, "Input/output error")
        return real(self, target)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(OSError, match="Input/output"):
        claim(site, found, ask_for_writers=False)
    assert sorted(path.name for path in site.inbox.iterdir()) == ["cleat.ply", "cleat.ply.ready"]
    assert list(site.raw.iterdir()) == []


@pytest.mark.parametrize("flag_works", [True, False])
def test_nothing_is_replaced(tmp_path: Path, flag_works: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where renameat2 knows no flag, as on some user-space file systems."""
    if not flag_works:
        monkeypatch.setattr(module, "_RENAME_NOREPLACE", 1 << 20)  # EINVAL
    for name in ("source", "empty"):
        (tmp_path / name).mkdir()
    (tmp_path / "source" / "file").touch()
    with pytest.raises(FileExistsError):
        rename_to_free(tmp_path / "source", tmp_path / "empty")
    rename_to_free(tmp_path / "source", tmp_path / "free")
    assert (tmp_path / "free" / "file").exists()
