"""File events: hints to look at the inbox now. Nothing depends on them."""

from __future__ import annotations

import logging
import threading
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.service.journal import REMOTE_TYPES
from pipeline.service.tree import filesystem_type

_INTERESTING = frozenset({"created", "modified", "moved", "closed", "deleted"})


class Hints:
    """Watches the inbox as well as this system can, and begins anew when the watch was lost.

    Parameters
    ----------
    inbox : the folder
    hint : called for events, from another thread; must return at once
    """

    def __init__(self, inbox: Path, hint: Callable[[], None]) -> None:
        self._inbox = inbox
        self._hint = hint
        self._observer: Any = None
        self._watched: tuple[int, int] | None = None
        self._lock = threading.Lock()
        self.problem = ""
        """Why there are no events; empty when there are."""

    def ensure(self) -> None:
        """Watch, if not done already. Never raises. May block as long as the file system does."""
        with self._lock:
            try:
                status = self._inbox.stat()
                if self._alive() and self._watched == (status.st_dev, status.st_ino):
                    return
                self._stop()
                if filesystem_type(self._inbox) in REMOTE_TYPES:
                    self.problem = "the inbox lies on a network share, which tells no file events"
                    return
                self._start()
                self._watched = (status.st_dev, status.st_ino)
                self.problem = ""
            except Exception as error:  # whatever the watcher does: the looks go on
                self.problem = f"no file events: {error}"

    def stop(self) -> None:
        with self._lock:
            self._stop()

    def _alive(self) -> bool:
        observer = self._observer
        return observer is not None and observer.is_alive() and all(e.is_alive() for e in observer.emitters)

    def _start(self) -> None:
        from watchdog.events import FileSystemEventHandler
        from watchdog.observers import Observer

        logging.getLogger("watchdog").setLevel(logging.CRITICAL)  # it tells of overflows, which the looks make up for
        warnings.filterwarnings("ignore", category=RuntimeWarning, module="watchdog")
        hint = self._hint

        class Handler(FileSystemEventHandler):
            def on_any_event(self, event: Any) -> None:
                if event.event_type in _INTERESTING:
                    hint()

        observer = Observer()
        observer.daemon = True
        observer.schedule(Handler(), str(self._inbox), recursive=True)
        observer.start()
        self._observer = observer

    def _stop(self) -> None:
        observer, self._observer, self._watched = self._observer, None, None
        if observer is not None:
            try:
                observer.stop()
                observer.join(5)
            except Exception as error:
                self.problem = f"no file events: {error}"
