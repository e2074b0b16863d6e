"""File events are hints: they come, they fail, the looks go on."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from pipeline.service.hints import Hints


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    (tmp_path / "inbox").mkdir()
    return tmp_path / "inbox"


def heard(inbox: Path, act) -> bool:  # type: ignore[no-untyped-def]
    event = threading.Event()
    hints = Hints(inbox, event.set)
    hints.ensure()
    assert hints.problem == ""
    try:
        act(hints)
        return event.wait(10)
    finally:
        hints.stop()


def test_a_new_file_is_a_hint(inbox: Path) -> None:
    assert heard(inbox, lambda hints: (inbox / "a.ply").write_bytes(b"x"))


def test_a_watch_is_begun_anew_on_an_inbox_that_came_back(inbox: Path) -> None:
    def replace(hints: Hints) -> None:
        inbox.rename(inbox.with_name("old"))
        hints.ensure()
        assert "No such file" in hints.problem
        inbox.mkdir()
        hints.ensure()
        assert hints.problem == ""
        (inbox / "a.ply").touch()

    assert heard(inbox, replace)


def test_a_handler_that_raises_ends_the_watch_but_not_for_long(inbox: Path) -> None:
    called = threading.Event()

    def broken() -> None:
        called.set()
        raise RuntimeError("oh")

    threading.excepthook, before = lambda *_: None, threading.excepthook  # the watcher's thread dies of it
    try:
        hints = Hints(inbox, broken)
        hints.ensure()
        (inbox / "a.ply").touch()
        assert called.wait(10)
        hints._observer.join(10)
        assert not hints._alive()
        hints._hint = called.set
        called.clear()
        hints.ensure()
        (inbox / "b.ply").touch()
        assert called.wait(10)
        hints.stop()
    finally:
        threading.excepthook = before


def test_without_watches_the_reason_is_said(inbox: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_space(*_: object, **__: object) -> None:
        raise OSError(28, "inotify watch limit reached")

    monkeypatch.setattr("watchdog.observers.inotify.InotifyObserver.schedule", no_space)
    hints = Hints(inbox, lambda: None)
    hints.ensure()
    assert "watch limit" in hints.problem


def test_network_shares_are_not_watched(inbox: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.service.hints.filesystem_type", lambda place: 0x6969)
    hints = Hints(inbox, lambda: None)
    hints.ensure()
    assert "network share" in hints.problem
