"""Arrivals: what counts as one, however it comes, and how many."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.formats import CAPTURE_SUFFIXES
from pipeline.service.inbox import Look, Settler, look
from pipeline.site import Site


def entries(found: Look) -> list[str]:
    return sorted(arrival.entry for arrival in found.arrivals)


def test_folders_and_capture_files_are_arrivals(tmp_path: Path) -> None:
    (tmp_path / "tiller").mkdir()
    for name in ("cleat.PLY", "photo.jpg", ".hidden.ply", "cleat.PLY.ready", "tiller.triage.txt", "tiller.triage.html"):
        (tmp_path / name).touch()
    (tmp_path / "link.ply").symlink_to("/etc/passwd")
    os.mkfifo(tmp_path / "pipe.ply")
    found = look(tmp_path, CAPTURE_SUFFIXES)
    assert entries(found) == ["cleat.PLY", "tiller"]
    assert found.others == ("link.ply", "photo.jpg", "pipe.ply")
    assert next(arrival for arrival in found.arrivals if not arrival.folder).seen.ready


def test_a_missing_inbox_is_said(tmp_path: Path) -> None:
    assert "cannot be read" in look(tmp_path / "none", CAPTURE_SUFFIXES).lost


def test_a_folder_that_may_not_be_read_is_named_and_the_others_are_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.service import inbox

    (tmp_path / "locked").mkdir()
    (tmp_path / "open").mkdir()
    real = inbox.survey

    def survey(path):  # type: ignore[no-untyped-def]  # root may read everything: pretend
        if path.name == "locked":
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(inbox, "survey", survey)
    found = look(tmp_path, CAPTURE_SUFFIXES)
    assert entries(found) == ["open"]
    assert found.problems == ("locked cannot be read: Permission denied",)


names = st.text(
    st.characters(blacklist_characters="/\0", blacklist_categories=("Cs",)), min_size=1, max_size=60
).filter(lambda name: not name.startswith(".") and len(name.encode()) < 230 and ".triage." not in name)


@given(names)
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_names_in_any_script_become_jobs(tmp_path: Path, name: str) -> None:
    folder = tmp_path / f"{time.monotonic_ns()}"
    (folder / name).mkdir(parents=True)
    (arrival,) = look(folder, CAPTURE_SUFFIXES).arrivals
    assert arrival.entry == name
    (folder / "raw").mkdir()
    (folder / "raw" / f"{arrival.job}--20000").mkdir()  # a name that the file system takes


@pytest.mark.parametrize("flat", [True, False])
def test_a_hundred_thousand_files_are_looked_at_in_three_seconds(tmp_path: Path, flat: bool) -> None:
    """Shortened to a tenth of the files in a tenth of the time; the whole: tests/benchmarks/inbox.py."""
    for i in range(10 if flat else 500):
        folder = tmp_path / f"job{i}"
        folder.mkdir()
        for k in range(1000 if flat else 20):
            os.close(os.open(folder / f"{k}.ply", os.O_CREAT | os.O_WRONLY))
    began = time.process_time()
    found = look(tmp_path, CAPTURE_SUFFIXES)
    assert time.process_time() - began < 0.3
    assert sum(arrival.seen.files for arrival in found.arrivals) == 10_000


def test_settling_restarts_with_every_change(site: Site) -> None:
    settler = Settler()
    file = site.inbox / "a.ply"
    file.write_bytes(b"1")
    settler.observe(look(site.inbox, CAPTURE_SUFFIXES).arrivals, 10.0)
    settler.observe(look(site.inbox, CAPTURE_SUFFIXES).arrivals, 20.0)
    assert (settler.known["a.ply"].first, settler.known["a.ply"].since) == (10.0, 10.0)
    file.write_bytes(b"12")
    settler.observe(look(site.inbox, CAPTURE_SUFFIXES).arrivals, 30.0)
    assert (settler.known["a.ply"].first, settler.known["a.ply"].since) == (10.0, 30.0)
